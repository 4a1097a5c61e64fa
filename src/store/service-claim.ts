/**
 * At most one service records into a store. Which one stands in the store itself, with what identifies its process. A
 * claim cannot go stale: whether the process still runs is asked of the system where that is certain (Linux, same boot,
 * same process namespace: number and start time). Elsewhere (another computer, another container) the claim is
 * challenged, and only a running service answers. A claim that came along with a copied file does not count.
 */
import { randomUUID } from "node:crypto";
import { readFileSync, readlinkSync, statSync } from "node:fs";
import { hostname } from "node:os";
import Database from "better-sqlite3";
import { z } from "zod";
import { isAnythingHeld } from "./held-log.ts";
import { closeStore, openReader, type Store } from "./open.ts";
import { readAs, setting, writeSetting } from "./settings.ts";
import { StoreUnusable } from "./store-error.ts";

/** Key in the table `setting`; a copy of a store must not carry it. */
export const SERVICE_SETTING = "service";

/** Time to answer a challenge: a service looks twice a second, and may be busy with a long commit between two looks. */
const CHALLENGE_MS = 3_000;
/** A command waits so long for the rows of what a service holds. Chosen: two looks of the service, and a commit. */
const LOOK_MS = 1_500;
const LOOK_AGAIN_MS = 20;

const Claim = z.object({
  /** Of this start of the service. */
  id: z.string(),
  pid: z.number().int(),
  host: z.string(),
  /** What tells two processes of one number apart; null where the system does not tell. */
  bootId: z.string().nullable(),
  processNamespace: z.string().nullable(),
  startTicks: z.string().nullable(),
  /** Device and number of the store's file: a copy has others. */
  device: z.string(),
  inode: z.string(),
  since: z.string(),
  /** Id of who asks whether this service still runs; it answers by removing it. */
  challenge: z.string().nullable(),
  /** True: a command reads the store; what is held is to become rows. */
  isLookedAt: z.boolean().default(false),
});
type Claim = z.infer<typeof Claim>;

/** What the system says; handed in so that tests decide. */
export interface ClaimSystem {
  readonly host: string;
  readonly pid: number;
  readonly bootId: string | null;
  readonly processNamespace: string | null;
  /** Start time of a process in clock ticks since boot; "gone" or null (not known). */
  startTicks(pid: number): string | null;
  /** Whether the system knows such a process. */
  exists(pid: number): boolean;
  pause(ms: number): Promise<void>;
}

export class ServiceClaim {
  readonly #db: Store;
  readonly #mine: Claim;
  #isLookedAt = false;

  private constructor(db: Store, mine: Claim) {
    this.#db = db;
    this.#mine = mine;
  }

  /** Claims the store for this process. Rejects with StoreUnusable, which names the other service, when one runs. */
  static async take(db: Store, system: ClaimSystem = thisSystem): Promise<ServiceClaim> {
    const mine = claimOf(db, system);
    const take = (isFree: (other: Claim | null) => boolean) =>
      db
        .transaction(() => {
          const other = readClaim(db);
          if (isFree(other)) writeSetting(db, SERVICE_SETTING, JSON.stringify(mine));
          return other;
        })
        .immediate();
    const other = take((found) => judge(found, mine, system) === "free");
    const verdict = judge(other, mine, system);
    if (verdict === "held" && other !== null) throw refusal(db, other, system);
    if (verdict === "uncertain" && other !== null) {
      const challenged = JSON.stringify({ ...other, challenge: mine.id });
      db.transaction(() => writeSetting(db, SERVICE_SETTING, challenged)).immediate();
      await system.pause(CHALLENGE_MS);
      const isUnanswered = (found: Claim | null) =>
        found === null || (found.id === other.id && found.challenge === mine.id);
      const answer = take(isUnanswered);
      if (!isUnanswered(answer)) throw refusal(db, answer ?? other, system);
    }
    return new ServiceClaim(db, mine);
  }

  /** Answers a challenge, if there is one. Returns false when another service has taken the store over. */
  check(): boolean {
    const found = readClaim(this.#db);
    if (found !== null && found.id !== this.#mine.id) return false;
    this.#isLookedAt = found?.isLookedAt ?? false;
    if (found === null || found.challenge !== null)
      writeSetting(
        this.#db,
        SERVICE_SETTING,
        JSON.stringify({ ...this.#mine, isLookedAt: this.#isLookedAt }),
      );
    return true;
  }

  /** At the last check a command waited for the rows of what is held. */
  get isLookedAt(): boolean {
    return this.#isLookedAt;
  }

  /** All that was held is rows. A claim that another service has taken meanwhile stays its own. */
  shown(): void {
    this.#isLookedAt = false;
    this.#db
      .transaction(() => {
        if (readClaim(this.#db)?.id === this.#mine.id)
          writeSetting(this.#db, SERVICE_SETTING, JSON.stringify(this.#mine));
      })
      .immediate();
  }

  /** Gives the store free. */
  release(): void {
    this.#db
      .transaction(() => {
        if (readClaim(this.#db)?.id === this.#mine.id) writeSetting(this.#db, SERVICE_SETTING, null);
      })
      .immediate();
  }
}

/** Whether a service records into the store, as far as the system tells. */
export function isServiceRunning(db: Store, system: ClaimSystem = thisSystem): boolean {
  return judge(readClaim(db), claimOf(db, system), system) !== "free";
}

/**
 * Opens a store for the reading of a command. Where a service records into it and holds datagrams that are no rows yet, the
 * service is asked for them and waited for, a second and a half at most. Throws as openReader does.
 */
export function openReaderOfNow(path: string, system: ClaimSystem = thisSystem): Store {
  const db = openReader(path);
  if (!isAnythingHeld(db) || !isServiceRunning(db, system) || !askForRows(path)) return db;
  const untilMs = performance.now() + LOOK_MS;
  const pause = new Int32Array(new SharedArrayBuffer(4));
  while (isAnythingHeld(db) && performance.now() < untilMs) Atomics.wait(pause, 0, 0, LOOK_AGAIN_MS);
  return db;
}

/** False: the store cannot be written to. */
function askForRows(path: string): boolean {
  try {
    const db = new Database(path, { fileMustExist: true, timeout: LOOK_MS });
    try {
      db.transaction(() => {
        const claim = readClaim(db);
        if (claim !== null) writeSetting(db, SERVICE_SETTING, JSON.stringify({ ...claim, isLookedAt: true }));
      }).immediate();
    } finally {
      db.close();
    }
    return true;
  } catch {
    return false;
  }
}

/**
 * Closes a store into which a service of this computer may be recording. Returns a sentence when the newest data stayed
 * in the log of changes and no service runs that will merge them, else null.
 */
export function closeBesideService(db: Store, system: ClaimSystem = thisSystem): string | null {
  const isServed = judge(readClaim(db), claimOf(db, system), system) === "held";
  const leftBeside = closeStore(db);
  return isServed ? null : leftBeside;
}

function claimOf(db: Store, system: ClaimSystem): Claim {
  const { dev, ino } = db.memory ? { dev: 0n, ino: 0n } : statSync(db.name, { bigint: true });
  return {
    id: randomUUID(),
    pid: system.pid,
    host: system.host,
    bootId: system.bootId,
    processNamespace: system.processNamespace,
    startTicks: system.startTicks(system.pid),
    device: String(dev),
    inode: String(ino),
    since: new Date().toISOString(),
    challenge: null,
    isLookedAt: false,
  };
}

function judge(other: Claim | null, mine: Claim, system: ClaimSystem): "free" | "held" | "uncertain" {
  if (other === null || other.inode !== mine.inode) return "free";
  const sameBoot = other.bootId !== null && other.bootId === mine.bootId;
  // A device has another number on another computer.
  if (sameBoot && other.device !== mine.device) return "free";
  if (sameBoot && other.processNamespace === mine.processNamespace && other.startTicks !== null) {
    if (!system.exists(other.pid)) return "free";
    const startTicks = system.startTicks(other.pid);
    // The system may hide other users' processes.
    if (startTicks !== null) return startTicks === other.startTicks ? "held" : "free";
  }
  const sameHost = other.bootId === null && mine.bootId === null && other.host === mine.host;
  return sameHost && !system.exists(other.pid) ? "free" : "uncertain";
}

function refusal(db: Store, { pid, host, since }: Claim, system: ClaimSystem): StoreUnusable {
  const where = host === system.host ? "" : ` on ${host}`;
  return new StoreUnusable(
    `Another Mastlog service (process ${pid}${where}) has been recording into ${db.name} since ${since}.`,
    "Use its dashboard, stop it, or name another store with --db.",
  );
}

function readClaim(db: Store): Claim | null {
  return readAs(Claim, setting(db, SERVICE_SETTING));
}

/** The text of a file or link of /proc; null where there is none. */
function unlessMissing(read: () => string): string | null {
  try {
    return read().trim();
  } catch {
    return null;
  }
}

const thisSystem: ClaimSystem = {
  host: hostname(),
  pid: process.pid,
  bootId: unlessMissing(() => readFileSync("/proc/sys/kernel/random/boot_id", "utf8")),
  processNamespace: unlessMissing(() => readlinkSync("/proc/self/ns/pid")),
  startTicks: (pid) => {
    // Fields after the name in brackets, which may hold anything: proc(5), state is field 3 and starttime field 22.
    const fields = unlessMissing(() => readFileSync(`/proc/${pid}/stat`, "utf8"))
      ?.replace(/^.*\) /s, "")
      .split(" ");
    if (fields === undefined) return null;
    return fields[0] === "Z" || fields[0] === "X" ? "ended" : (fields[19] ?? null);
  },
  exists: (pid) => {
    try {
      process.kill(pid, 0);
      return true;
    } catch (error) {
      return error instanceof Error && "code" in error && error.code === "EPERM";
    }
  },
  pause: (ms) => new Promise((done) => setTimeout(done, ms)),
};
