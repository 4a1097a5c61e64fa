/**
 * Who gets the processor first when there is too little of it? Where a network is in service, passing its datagrams on
 * comes before recording them. Linux gives each thread a priority of its own; elsewhere threads are left as they are.
 */
import { setPriority } from "node:os";

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
