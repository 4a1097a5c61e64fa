/**
 * What is kept, by a person's rule, and from when on receptions are there? Rows before that moment are gone or are going
 * (src/store/removal.ts): whoever reads rows asks here first, so that what was removed is never taken for what was not heard.
 */
import type { KeptRule } from "../words/removed.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import { type Written, written } from "./written.ts";

const KEY = "kept-rule";

export const KEEP_EVERYTHING: KeptRule = { maxAgeDays: null, maxBytes: null };

/** Fewest and most that a rule may name. A day stays in any case: what is worked out lately rests on it. Chosen. */
export const KEPT_LIMITS = {
  minAgeDays: 1,
  maxAgeDays: 36_500,
  minBytes: 10_000_000,
  maxBytes: 1_000_000_000_000_000,
} as const;

/** The rule that holds now. */
export function keptRule(store: Store): KeptRule {
  const text = prepared(store, "SELECT value FROM setting WHERE key = ?").pluck().get(KEY);
  return typeof text === "string" ? (JSON.parse(text) as KeptRule) : KEEP_EVERYTHING;
}

/** Sets the rule; what it removes goes step by step. */
export function writeKeptRule(db: Store, { maxAgeDays, maxBytes }: KeptRule): Written {
  if (maxAgeDays === null && maxBytes === null) db.prepare("DELETE FROM setting WHERE key = ?").run(KEY);
  else
    db.prepare("INSERT OR REPLACE INTO setting (key, value) VALUES (?, ?)").run(
      KEY,
      JSON.stringify({ maxAgeDays, maxBytes }),
    );
  return written(1);
}

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
