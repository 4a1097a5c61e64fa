/** Against which known good gateway does the bench measure, and within which limits? One setting for the whole bench. */
import type { Store } from "./open.ts";
import { setting } from "./queries/lives.ts";

export interface BenchReferenceRow {
  /** Identifier of the reference gateway. */
  readonly eui: string;
  /** Level that a gateway may differ from it by, dB. */
  readonly maxOffsetDb: number;
  /** Points of frames that it may lose more. */
  readonly maxLossPoints: number;
}

const KEY = "bench-reference";

/** Sets the reference; null takes it away. */
export function writeBenchReference(db: Store, reference: BenchReferenceRow | null): 0 {
  if (reference === null) db.prepare("DELETE FROM setting WHERE key = ?").run(KEY);
  else {
    const { eui, maxOffsetDb, maxLossPoints } = reference;
    const value = JSON.stringify({ eui, maxOffsetDb, maxLossPoints });
    db.prepare("INSERT OR REPLACE INTO setting (key, value) VALUES (?, ?)").run(KEY, value);
  }
  return 0;
}

/** The reference that was set; null: none. */
export function benchReference(store: Store): BenchReferenceRow | null {
  const text = setting(store, KEY);
  if (text === null) return null;
  const { eui, maxOffsetDb, maxLossPoints } = JSON.parse(text) as Partial<Record<string, unknown>>;
  return typeof eui === "string" && typeof maxOffsetDb === "number" && typeof maxLossPoints === "number"
    ? { eui, maxOffsetDb, maxLossPoints }
    : null;
}
