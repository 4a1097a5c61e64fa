/**
 * What is set for the whole service? The bench's reference, what was noted of gateways on the bench, what is watched,
 * how far publishing has come, and what is kept.
 */
import type { KeptRule } from "../words/format.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import { notWritten, type Written, written } from "./written.ts";

export function setting(store: Store, key: string): string | null {
  const value = prepared(store, "SELECT value FROM setting WHERE key = ?").pluck().get(key);
  return typeof value === "string" ? value : null;
}

/** What a setting holds as JSON; null where there is none, or none that this version wrote. */
export function readAs<T>(schema: { parse(value: unknown): T }, text: string | null): T | null {
  if (text === null) return null;
  try {
    return schema.parse(JSON.parse(text));
  } catch {
    return null;
  }
}

/** null takes the setting back. */
export function writeSetting(db: Store, key: string, value: string | null): void {
  if (value === null) db.prepare("DELETE FROM setting WHERE key = ?").run(key);
  else db.prepare("INSERT OR REPLACE INTO setting (key, value) VALUES (?, ?)").run(key, value);
}

// How often was an hour gathered again, since it had changed? Whoever keeps what whole hours hold looks here.

const REGATHERED_KEY = "hours-gathered-again";

/** Counts: what was kept of gathered hours may be true no more. */
export function countRegathered(db: Store): void {
  prepared(
    db,
    `INSERT INTO setting (key, value) VALUES (?, '1')
     ON CONFLICT (key) DO UPDATE SET value = CAST(CAST(value AS INTEGER) + 1 AS TEXT)`,
  ).run(REGATHERED_KEY);
}

/** How often that was. */
export function regathered(store: Store): string {
  return setting(store, REGATHERED_KEY) ?? "0";
}

// Against which known good gateway does the bench measure, and within which limits? One setting for the whole bench.

export interface BenchReferenceRow {
  /** Identifier of the reference gateway. */
  readonly eui: string;
  /** Level that a gateway may differ from it by, dB. */
  readonly maxOffsetDb: number;
  /** Points of frames that it may lose more. */
  readonly maxLossPoints: number;
}

const REFERENCE_KEY = "bench-reference";

/** Sets the reference; null takes it away. */
export function writeBenchReference(db: Store, reference: BenchReferenceRow | null): Written {
  const value = reference && {
    eui: reference.eui,
    maxOffsetDb: reference.maxOffsetDb,
    maxLossPoints: reference.maxLossPoints,
  };
  writeSetting(db, REFERENCE_KEY, value && JSON.stringify(value));
  return written(1);
}

/** The reference that was set; null: none. */
export function benchReference(store: Store): BenchReferenceRow | null {
  const text = setting(store, REFERENCE_KEY);
  if (text === null) return null;
  const { eui, maxOffsetDb, maxLossPoints } = JSON.parse(text) as Partial<Record<string, unknown>>;
  return typeof eui === "string" && typeof maxOffsetDb === "number" && typeof maxLossPoints === "number"
    ? { eui, maxOffsetDb, maxLossPoints }
    : null;
}

// What did a person note of a gateway on the bench? Reads and writes the `bench_record` rows.

export interface BenchRecordRow {
  readonly eui: string;
  /** Serial number or work order; null: not noted. */
  readonly serial: string | null;
  /** null: not signed off. */
  readonly signedOffUs: number | null;
}

/** What is left out stays; null takes it back. */
export interface BenchRecordChangeRow {
  readonly eui: string;
  readonly serial?: string | null | undefined;
  readonly signedOffUs?: number | null | undefined;
}

/** Notes a serial number, signs a gateway off, or takes either back. Fails for a gateway that was never heard. */
export function writeBenchRecord(db: Store, { eui, serial, signedOffUs }: BenchRecordChangeRow): Written {
  if (db.prepare("SELECT 1 FROM gateway WHERE eui = ?").get(eui) === undefined)
    return notWritten("no-such-gateway");
  db.prepare("INSERT OR IGNORE INTO bench_record (gateway_eui) VALUES (?)").run(eui);
  if (serial !== undefined) {
    const plain = serial === null || serial.trim() === "" ? null : serial.trim();
    db.prepare("UPDATE bench_record SET serial = ? WHERE gateway_eui = ?").run(plain, eui);
  }
  if (signedOffUs !== undefined)
    db.prepare("UPDATE bench_record SET signed_off_us = ? WHERE gateway_eui = ?").run(signedOffUs, eui);
  db.prepare(
    "DELETE FROM bench_record WHERE gateway_eui = ? AND serial IS NULL AND signed_off_us IS NULL",
  ).run(eui);
  return written(1);
}

/** What was noted of each gateway, by its identifier. */
export function benchRecords(store: Store): ReadonlyMap<string, BenchRecordRow> {
  const rows = prepared(
    store,
    "SELECT gateway_eui AS eui, serial, signed_off_us AS signedOffUs FROM bench_record ORDER BY gateway_eui",
  ).all() as BenchRecordRow[];
  return new Map(rows.map((row) => [row.eui, row]));
}

// What is watched, and what was reported of it? JSON, as the service reads it.

export interface WatchSettings {
  readonly rules: string | null;
  readonly state: string | null;
  /** Messages that were not delivered yet. */
  readonly waiting: string | null;
}

type ServiceSetting = "watch-rules" | "watch-state" | "watch-waiting" | "publish-place";

export function writeServiceSetting(db: Store, key: ServiceSetting, value: string): Written {
  writeSetting(db, key, value);
  return written(1);
}

export function watchSettings(store: Store): WatchSettings {
  return {
    rules: setting(store, "watch-rules"),
    state: setting(store, "watch-state"),
    waiting: setting(store, "watch-waiting"),
  };
}

/** How far publishing to an MQTT broker had come; null: never kept. */
export function publishPlace(store: Store): string | null {
  return setting(store, "publish-place");
}

// What is kept, by a person's rule (src/store/removal.ts)?

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
  const text = setting(store, "kept-rule");
  return text === null ? KEEP_EVERYTHING : (JSON.parse(text) as KeptRule);
}

/** Sets the rule; what it removes goes step by step. */
export function writeKeptRule(db: Store, { maxAgeDays, maxBytes }: KeptRule): Written {
  const isAny = maxAgeDays !== null || maxBytes !== null;
  writeSetting(db, "kept-rule", isAny ? JSON.stringify({ maxAgeDays, maxBytes }) : null);
  return written(1);
}
