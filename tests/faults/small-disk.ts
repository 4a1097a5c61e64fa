/** How does a test fill a disk? One of its own, or a limit on the size of files, whichever this user may make. */
import { execFileSync } from "node:child_process";
import { mkdirSync, rmSync, statfsSync, statSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { temporaryFolder } from "../process/program.ts";
import type { Service } from "../process/service.ts";

const unmounts: (() => void)[] = [];

/** For `afterEach`, before the folders are removed. Lazily, so that it succeeds while the service still runs. */
export function unmountAll(): void {
  for (const unmount of unmounts.splice(0)) unmount();
}

export interface SmallDisk {
  /** Where the store is to lie. */
  readonly folder: string;
  fill(service: Service): void;
  makeRoom(service: Service): void;
}

/** A file system of 24 MiB of one's own: the log of changes alone grows to 8 MB; null where this user may not mount. */
export function smallFileSystem(): SmallDisk | null {
  const folder = join(temporaryFolder(), "disk");
  mkdirSync(folder);
  try {
    execFileSync("mount", ["-t", "tmpfs", "-o", "size=24m", "tmpfs", folder], { stdio: "ignore" });
  } catch {
    return null;
  }
  unmounts.push(() => execFileSync("umount", ["-l", folder], { stdio: "ignore" }));
  const ballast = join(folder, "ballast");
  return {
    folder,
    fill: () => {
      const { bavail, bsize } = statfsSync(folder);
      try {
        writeFileSync(ballast, Buffer.alloc(bavail * bsize));
      } catch (error) {
        // What was answered before it was stored may take some of the room meanwhile: it is full all the same.
        if (!(error instanceof Error && "code" in error && error.code === "ENOSPC")) throw error;
      }
    },
    makeRoom: () => rmSync(ballast),
  };
}

/** A limit on the size of files, lowered on the running service; null where there is no prlimit. */
export function fileSizeLimit(): SmallDisk | null {
  try {
    execFileSync("prlimit", ["--pid", String(process.pid), "--fsize"], { stdio: "ignore" });
  } catch {
    return null;
  }
  const limit = (pid: number, soft: string) =>
    execFileSync("prlimit", ["--pid", String(pid), `--fsize=${soft}:unlimited`], { stdio: "ignore" });
  return {
    folder: temporaryFolder(),
    // The journal is full where it stands; the store itself may still be written up to there.
    fill: ({ pid, db }) => limit(pid, String(statSync(`${db}-wal`).size)),
    makeRoom: ({ pid }) => limit(pid, "unlimited"),
  };
}
