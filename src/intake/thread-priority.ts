/**
 * Who gets the processor first when there is too little of it? Where a network is in service, passing its datagrams on
 * comes before recording them. Linux gives each thread a priority of its own; elsewhere threads are left as they are.
 */
import { setPriority } from "node:os";
import { setFlagsFromString } from "node:v8";

/** Sets the calling thread's priority (nice value: lower comes first); quietly leaves it where that is not allowed. */
export function setThreadPriority(nice: number): void {
  // 0 is the calling thread on Linux (setpriority(2), "C library/kernel differences"), the whole process elsewhere.
  if (process.platform !== "linux") return;
  try {
    setPriority(0, nice);
  } catch {
    // Raising it is for privileged users.
  }
}

/** What V8 would leave to helper threads while a thread's heap is emptied; marking is not among it: it cannot be changed once begun. */
const HELPED = [
  "parallel-scavenge",
  "concurrent-array-buffer-sweeping",
  "concurrent-sweeping",
  "parallel-compaction",
];

/**
 * From now on each thread of this process empties its heap by itself. V8's helper threads have the usual priority: on a
 * machine that is short of processors the listener waited for them for up to half a second (measured in a flood: 11 times
 * more than 0.12 s in 45 s, then 3 times in 40 s), and the kernel's buffer ran over. It costs no processor time.
 */
export function emptyHeapsAlone(): void {
  for (const help of HELPED) setFlagsFromString(`--no-${help}`);
}
