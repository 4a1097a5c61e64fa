/** How much memory did a process take at its most? */
import { existsSync, readFileSync } from "node:fs";

/** Most resident memory of a process so far, MB; 0 where the system does not tell, or the process is gone. */
export function peakMemoryMb(pid: number | undefined): number {
  const file = `/proc/${pid}/status`;
  if (!existsSync(file)) return 0;
  return Number(/VmHWM:\s+(\d+) kB/.exec(readFileSync(file, "utf8"))?.[1] ?? 0) / 1024;
}
