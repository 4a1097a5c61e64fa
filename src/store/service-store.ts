/**
 * The store of a running service: claimed for it alone, and watched. SQLite goes on writing into a file that was moved
 * or deleted, and into a log of changes that then belongs to whatever file lies at the path. So before each write the
 * file at the path is compared with the one that was opened.
 */

import { readdirSync, readlinkSync, statSync } from "node:fs";
import { errorCode } from "../model/fault.ts";
import { closeStore, openStore, type Store } from "./open.ts";
import { ServiceClaim } from "./service-claim.ts";

/** Thrown instead of a write while the store is not at its place. The code is SQLite's own for such a file. */
export class StoreNotInPlace extends Error {
  readonly code = "SQLITE_READONLY_DBMOVED";
}

/** Where the open file is now, as far as the system says. */
interface OpenFile {
  /** null: deleted. */
  readonly path: string | null;
  /** A path under which its content can still be read. */
  readonly descriptor: string;
}

export class ServiceStore {
  readonly db: Store;
  readonly #path: string;
  readonly #device: bigint;
  readonly #inode: bigint;
  #claim: ServiceClaim | null = null;
  /** The sentence of the last look; null: in place. */
  #problem: string | null = null;
  /** The file at the path (or that there is none), and whether all was merged, to which the sentence belongs. */
  #problemOf = "";
  #isTakenOver = false;
  /** Whether the file alone holds everything: what was stored last is in the log of changes first. */
  #isMerged = false;

  private constructor(db: Store) {
    this.db = db;
    this.#path = db.name;
    const { dev, ino } = statSync(this.#path, { bigint: true });
    this.#device = dev;
    this.#inode = ino;
  }

  /** Opens and claims the store. Rejects with StoreUnusable when it cannot be opened or another service has it. */
  static async open(path: string): Promise<ServiceStore> {
    const db = openStore(path);
    try {
      const store = new ServiceStore(db);
      store.#claim = await ServiceClaim.take(db);
      return store;
    } catch (error) {
      db.close();
      throw error;
    }
  }

  /** Call before every write. Throws StoreNotInPlace while another or no file lies at the path. */
  assertInPlace(): void {
    // A write after the end fails by itself, and is not tried again.
    if (!this.db.open) return;
    const problem = this.#look();
    // Whoever shows it ends the sentence.
    if (problem !== null) throw new StoreNotInPlace(problem.replace(/\.$/, ""));
  }

  /** Call twice a second. Returns what is wrong and what to do in two sentences, or null. */
  check(): string | null {
    const problem = this.#look();
    if (problem !== null) return problem;
    try {
      this.#isTakenOver = this.#claim?.check() === false;
    } catch {
      // Another program writes at this moment: the next look will do.
    }
    return this.#look();
  }

  /** At the last check a command waited for the rows of what is held. */
  get isLookedAt(): boolean {
    return this.#claim?.isLookedAt ?? false;
  }

  /** All that was held is rows: whoever waits may read. */
  shown(): void {
    try {
      this.#claim?.shown();
    } catch {
      // Another program writes at this moment: asked again at the next look.
    }
  }

  /** Merges the log of changes and closes. Returns a sentence when something stayed beside the file. */
  close(): string | null {
    try {
      if (!this.#isTakenOver) this.#claim?.release();
    } catch {
      // A full disk, say. A claim of a process that ended does not count.
    }
    return closeStore(this.db);
  }

  #merge(): void {
    try {
      const [outcome] = this.db.pragma("wal_checkpoint(TRUNCATE)") as { busy: number }[];
      this.#isMerged = outcome?.busy === 0;
    } catch {
      // Tried again at the next look.
    }
  }

  #look(): string | null {
    if (this.#isTakenOver)
      return `Another Mastlog service has taken over ${this.#path}. Stop one of the two, then start Mastlog again.`;
    let found: string;
    try {
      const { dev, ino } = statSync(this.#path, { bigint: true });
      if (dev === this.#device && ino === this.#inode) {
        this.#problem = null;
        this.#problemOf = "";
        this.#isMerged = false;
        return null;
      }
      found = `${dev} ${ino}`;
    } catch (error) {
      found = errorCode(error) || "unknown";
    }
    // What is in the log belongs to the file that was opened, and must not be taken for another's. And whoever copies
    // that file needs all of it: the words that name the copy come after the merging.
    if (!this.#isMerged) this.#merge();
    const problemOf = `${found} ${this.#isMerged}`;
    if (problemOf !== this.#problemOf) {
      this.#problemOf = problemOf;
      this.#problem = describe(this.#path, found, this.#findOpenFile(), this.#isMerged);
    }
    return this.#problem;
  }

  /** Linux lists a process's open files, with the path that each has now. Elsewhere: undefined. */
  #findOpenFile(): OpenFile | undefined {
    try {
      for (const name of readdirSync("/proc/self/fd")) {
        const descriptor = `/proc/self/fd/${name}`;
        const stats = statSync(descriptor, { bigint: true, throwIfNoEntry: false });
        if (stats === undefined || stats.dev !== this.#device || stats.ino !== this.#inode) continue;
        const path = stats.nlink === 0n ? null : readlinkSync(descriptor);
        return { path, descriptor: `/proc/${process.pid}/fd/${name}` };
      }
    } catch {
      // No such list here.
    }
    return undefined;
  }
}

function describe(path: string, found: string, open: OpenFile | undefined, isMerged: boolean): string {
  if (found !== "ENOENT" && found !== "ENOTDIR" && !found.includes(" "))
    return `The store ${path} cannot be reached (${found}). Recording resumes when it can.`;
  const isReplaced = found.includes(" ");
  const what = isReplaced ? `Another file lies at ${path} in place of the store` : `The store ${path}`;
  if (open === undefined)
    return isReplaced
      ? `${what}. Put the store back, or start Mastlog again to use the other file.`
      : `${what} was moved or deleted. Put it back, or start Mastlog again with a new one.`;
  if (open.path === null) {
    const advice = isMerged
      ? `Copy what it holds before you stop Mastlog: cp ${open.descriptor} RESCUED.db`
      : "Do not stop Mastlog: what the store holds is still being made ready for a copy. Look here again in a few seconds.";
    return `${what}${isReplaced ? ", which was deleted" : " was deleted"}. ${advice}`;
  }
  return isReplaced
    ? `${what}, which is now ${open.path}. Put it back, or start Mastlog again to use the other file.`
    : `${what} was moved to ${open.path}. Move it back; recording then resumes.`;
}
