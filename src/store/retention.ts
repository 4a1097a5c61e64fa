/**
 * From when on are receptions there? Rows before that moment are gone or are going
 * (src/store/removal.ts): whoever reads rows asks here first, so that what was removed is never taken for what was not heard.
 */
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

/** Whether the file shrinks when rows go: one that an earlier version made keeps its size until it is made anew. */
export function givesBack(store: Store): boolean {
  return Number(store.pragma("auto_vacuum", { simple: true })) === INCREMENTAL_VACUUM;
}

/** Value of the pragma; sqlite.org/pragma.html#pragma_auto_vacuum. */
const INCREMENTAL_VACUUM = 2;

/** What was removed. */
export interface Removed {
  /** Receptions before this moment. */
  readonly beforeUs: number;
  /** By which rule, in words. */
  readonly rule: string;
}

/** null: nothing was removed. */
export function removedOf(store: Store): Removed | null {
  const row = prepared(
    store,
    "SELECT removed_to_us AS beforeUs, rule FROM removal WHERE id = 1 AND removed_to_us > 0",
  ).get();
  return (row as Removed | undefined) ?? null;
}

/** The moment from which on receptions are there; 0: nothing was removed. */
export function removedToUs(store: Store): number {
  return removedOf(store)?.beforeUs ?? 0;
}
