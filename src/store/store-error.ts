/**
 * What is wrong with a store, and what can be done about it? SQLite's errors as one sentence and a remedy, the same in
 * every command and in the service, and the checks that find damage: whole at the opening, or table by table.
 */
import { statSync } from "node:fs";
import type Database from "better-sqlite3";

/** A store that cannot be used as it is: with what a person can do about it. */
export class StoreUnusable extends Error {
  readonly remedy: string;
  constructor(message: string, remedy: string) {
    super(message);
    this.name = "StoreUnusable";
    this.remedy = remedy;
  }
}

/** The command that reads a damaged store, in quotes. */
export function rescueCommand(path: string): string {
  return `'mastlog backup NEW.db --rescue --db ${path}'`;
}

/** How to get at what a damaged store still holds; the same words everywhere. */
export function rescueRemedy(path: string): string {
  return `It is left untouched. Rescue what is readable with ${rescueCommand(path)}, then use --db NEW.db.`;
}

/** Whether an error is SQLite's own. */
export function isSqliteError(error: unknown): error is Error & { code: string } {
  return error instanceof Error && "code" in error && String(error.code).startsWith("SQLITE_");
}

/** Whether SQLite found the file itself to be damaged. */
export function isDamage(error: unknown): boolean {
  return isSqliteError(error) && /^SQLITE_(CORRUPT|NOTADB)/.test(error.code);
}

/** Returns the sentence and remedy of an error of SQLite, or null for any other error. `path`: the store, if known. */
export function describeStoreError(error: unknown, path?: string): StoreUnusable | null {
  if (error instanceof StoreUnusable) return error;
  if (!isSqliteError(error)) return null;
  const { code, message } = error;
  const store = path === undefined ? "store" : `store ${path}`;
  if (isDamage(error))
    return new StoreUnusable(`The ${store} is damaged: ${message}.`, rescueRemedy(path ?? "STORE.db"));
  if (code.startsWith("SQLITE_BUSY") || code.startsWith("SQLITE_LOCKED"))
    return new StoreUnusable(`Another program is using the ${store}.`, "Try again in a few seconds.");
  if (code.startsWith("SQLITE_FULL"))
    return new StoreUnusable(`There is no room left for the ${store}.`, "Free some disk space.");
  if (code.startsWith("SQLITE_READONLY"))
    return new StoreUnusable(`The ${store} cannot be written: ${message}.`, "Check who owns the file.");
  if (code.startsWith("SQLITE_IOERR"))
    return new StoreUnusable(`The disk failed under the ${store}: ${message}.`, "Check the disk.");
  return null;
}

// Is a store damaged?

/**
 * Octets of a file up to which each opening for writing checks all of it. Measured: 18 MB take about 0.1 s. A larger
 * file is checked while the service runs (checkStore); SQLite refuses pages that make no sense when it comes upon them.
 */
const MAX_CHECKED_BYTES = 64 * 1024 * 1024;

/** A damaged store is not written to: that could destroy what is still readable. */
export function assertSound(db: Database.Database, path: string): void {
  if (db.memory || !isCheckedAtOpening(db)) return;
  let finding: string;
  try {
    finding = String(db.pragma("quick_check(1)", { simple: true }));
  } catch (error) {
    db.close();
    throw describeStoreError(error, path) ?? error;
  }
  if (finding === "ok") return;
  db.close();
  throw new StoreUnusable(
    `The store ${path} is damaged: ${finding.replace(/\s+/g, " ")}.`,
    rescueRemedy(path),
  );
}

export interface CheckStep {
  /** Tables gone through, and how many there are. */
  readonly done: number;
  readonly of: number;
  /** What is wrong with the newest of them; null: nothing. Then nothing more is checked. */
  readonly finding: string | null;
}

/** True for a store that opening it checked whole. */
export function isCheckedAtOpening(db: Database.Database): boolean {
  return db.memory || (statSync(db.name, { throwIfNoEntry: false })?.size ?? 0) <= MAX_CHECKED_BYTES;
}

/**
 * Checks a store, a table a step and each a reading of its own, so that the log of changes can be merged in between.
 * As thorough as the check at opening, but for the list of free pages. Closes it; throws what `open` throws.
 */
export function* checkStore(open: () => Database.Database): Generator<CheckStep> {
  const db = open();
  try {
    const tables = db
      .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND rootpage > 0 ORDER BY name")
      .pluck()
      .all() as string[];
    for (const [index, table] of tables.entries()) {
      const finding = findingOf(db, table);
      yield { done: index + 1, of: tables.length, finding };
      if (finding !== null) return;
    }
  } finally {
    db.close();
  }
}

function findingOf(db: Database.Database, table: string): string | null {
  try {
    // `quick_check` of one table: sqlite.org/pragma.html.
    const found = String(db.pragma(`quick_check("${table.replaceAll('"', '""')}")`, { simple: true }));
    return found === "ok" ? null : found.replace(/\s+/g, " ");
  } catch (error) {
    if (isDamage(error)) return (error as Error).message;
    throw error;
  }
}
