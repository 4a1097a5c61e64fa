/**
 * Is a store damaged? Goes through it table by table, each a reading of its own, so that the log of changes can be
 * merged in between. As thorough as the check at opening, but for the list of free pages.
 */
import { statSync } from "node:fs";
import { MAX_CHECKED_BYTES, openAnyVersion, type Store } from "./open.ts";
import { isDamage } from "./store-error.ts";

export interface CheckStep {
  /** Tables gone through, and how many there are. */
  readonly done: number;
  readonly of: number;
  /** What is wrong with the newest of them; null: nothing. Then nothing more is checked. */
  readonly finding: string | null;
}

/** True for a store that opening it checked whole. */
export function isCheckedAtOpening(db: Store): boolean {
  return db.memory || statSync(db.name).size <= MAX_CHECKED_BYTES;
}

/** Checks the store at a path, a table a step. Throws StoreUnusable where it cannot be opened. */
export function* checkStore(path: string): Generator<CheckStep> {
  let db: Store | null = null;
  try {
    db = openAnyVersion(path);
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
    db?.close();
  }
}

function findingOf(db: Store, table: string): string | null {
  try {
    // `quick_check` of one table: sqlite.org/pragma.html.
    const found = String(db.pragma(`quick_check("${table.replaceAll('"', '""')}")`, { simple: true }));
    return found === "ok" ? null : found.replace(/\s+/g, " ");
  } catch (error) {
    if (isDamage(error)) return (error as Error).message;
    throw error;
  }
}
