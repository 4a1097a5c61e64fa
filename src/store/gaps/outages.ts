/**
 * When was each gateway unreachable? Keeps the `gateway_outage` rows up to the frontier
 * of the search, and answers when a set of gateways was unreachable at once.
 */

import type { Statement } from "better-sqlite3";
import type { OutOfReach } from "../../ledger/gaps/gap-detector.ts";
import { MIN_OUTAGE_US, outageLimitUs, outagesInSilence } from "../../ledger/gaps/intervals.ts";
import { intersect, type TimeRange, unite } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { silencesUs } from "../queries/gateways.ts";
import { prepared } from "../queries/statement.ts";
import type { RecordedTime } from "../recorded-time.ts";
import { removedToUs } from "../retention.ts";
import { UsualInterval } from "./usual-interval.ts";

// Reads a gateway's outages from its datagrams: the rule is in src/ledger/gaps/intervals.ts.

/** A gateway sent nothing. `open`: it has not come back, and Mastlog still records. */
export interface Outage extends TimeRange {
  readonly open: boolean;
}

export interface OutageSearch {
  /** What is known ends here. */
  readonly endUs: number;
  /** Silences shorter than this are not looked at; no less than the shortest outage. */
  readonly leapUs?: number;
  /** True: what comes after the range is not known yet; a silence at its end goes on to `endUs`. */
  readonly cut?: boolean;
}

/** Returns the outages that touch a range, not clipped to it. What came later than the recorded time reaches is not known. */
export function outagesBetween(
  store: Store,
  recorded: RecordedTime,
  gatewayId: number,
  range: TimeRange,
  search: OutageSearch,
): Outage[] {
  const removedUs = removedToUs(store);
  if (range.fromUs >= removedUs) return outagesOfRows(store, recorded, gatewayId, range, search);
  // Datagrams were removed: up to there the outages that were found in them.
  const before = storedOutages(store, gatewayId, {
    fromUs: range.fromUs,
    toUs: Math.min(range.toUs, removedUs),
  });
  if (range.toUs <= removedUs) return before;
  const after = outagesOfRows(store, recorded, gatewayId, { ...range, fromUs: removedUs }, search);
  // One that lasts over the moment is found on both sides, with the same begin.
  return [...before.filter(({ fromUs }) => !after.some((one) => one.fromUs === fromUs)), ...after];
}

function storedOutages(store: Store, gatewayId: number, { fromUs, toUs }: TimeRange): Outage[] {
  const rows = prepared(
    store,
    `SELECT from_us AS fromUs, to_us AS toUs FROM gateway_outage
     WHERE gateway_id = ? AND from_us < ? AND (to_us IS NULL OR to_us > ?) ORDER BY from_us`,
  ).all(gatewayId, toUs, fromUs) as { fromUs: number; toUs: number | null }[];
  return rows.map((row) => ({ fromUs: row.fromUs, toUs: row.toUs ?? toUs, open: row.toUs === null }));
}

function outagesOfRows(
  store: Store,
  recorded: RecordedTime,
  gatewayId: number,
  range: TimeRange,
  { endUs, leapUs = MIN_OUTAGE_US, cut = false }: OutageSearch,
): Outage[] {
  const silences = silencesUs(store, gatewayId, range, Math.max(MIN_OUTAGE_US, leapUs))
    .filter(({ toUs }) => (!cut || toUs < range.toUs) && toUs <= recorded.untilUs)
    .map((silence) => ({ ...silence, isLast: false }));
  const lastUs = prepared(store, "SELECT max(at_us) FROM datagram WHERE gateway_id = ? AND at_us < ?")
    .pluck()
    .get(gatewayId, range.toUs) as number | null;
  const lastEndUs = cut ? endUs : Math.min(range.toUs, endUs);
  // What came after the range ends the silence there: it is found once the range reaches that far.
  const goesOn = !cut || !hasDatagram(store, gatewayId, { fromUs: range.toUs, toUs: endUs });
  if (goesOn && lastUs !== null && lastUs < lastEndUs && silences.at(-1)?.fromUs !== lastUs)
    silences.push({ fromUs: lastUs, toUs: lastEndUs, isLast: true });
  const interval = new UsualInterval(store, gatewayId);
  return silences.flatMap(({ isLast, ...silence }) => {
    const parts = recorded.ranges(silence, [gatewayId]);
    if (!parts.some(({ fromUs, toUs }) => toUs - fromUs > MIN_OUTAGE_US)) return [];
    const limitUs = outageLimitUs(interval.before(silence.fromUs));
    return outagesInSilence(parts, limitUs)
      .filter(({ fromUs, toUs }) => fromUs < range.toUs && toUs > range.fromUs)
      .map((part) => ({ ...part, open: isLast && part.toUs >= lastEndUs }));
  });
}

function hasDatagram(store: Store, gatewayId: number, { fromUs, toUs }: TimeRange): boolean {
  const found = prepared(
    store,
    "SELECT 1 FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? LIMIT 1",
  ).get(gatewayId, fromUs, toUs);
  return found !== undefined;
}

export interface OutageRow {
  readonly gatewayId: number;
  readonly fromUs: number;
  /** null: it has not come back. */
  readonly toUs: number | null;
}

export class OutageWriter {
  readonly #db: Store;
  readonly #recorded: () => RecordedTime;
  readonly #knownUs: number;
  readonly #insert: Statement;
  readonly #remove: Statement;
  readonly #all: Statement;
  #byGateway: Map<number, OutageRow[]> | null = null;

  /** `recorded`: the recorded time as it is known now. `knownUs`: outages as they were known then, to be read only. */
  constructor(db: Store, recorded: () => RecordedTime, knownUs = Number.MAX_SAFE_INTEGER) {
    this.#knownUs = knownUs;
    this.#db = db;
    this.#recorded = recorded;
    this.#insert = db.prepare(
      "INSERT OR REPLACE INTO main.gateway_outage (gateway_id, from_us, to_us) VALUES (?, ?, ?)",
    );
    this.#remove = db.prepare(
      "DELETE FROM main.gateway_outage WHERE gateway_id = ? AND (to_us IS NULL OR to_us > ?) AND from_us < ?",
    );
    this.#all = db.prepare(
      "SELECT gateway_id AS gatewayId, from_us AS fromUs, to_us AS toUs FROM gateway_outage ORDER BY gateway_id, from_us",
    );
  }

  /**
   * Looks at a gateway's datagrams between two moments and writes its outages there; those that reach into the stretch
   * are found anew. True when anything changed.
   */
  scan(gatewayId: number, { fromUs, toUs }: TimeRange, nowUs: number): boolean {
    const before = this.#of(gatewayId).filter((out) => reaches(out, fromUs, toUs));
    const from = Math.min(fromUs, ...before.map((out) => out.fromUs));
    const range = { fromUs: from, toUs: toUs + 1 };
    const search = { endUs: nowUs, cut: true };
    const found: OutageRow[] = outagesBetween(this.#db, this.#recorded(), gatewayId, range, search).map(
      (out) => ({
        gatewayId,
        fromUs: out.fromUs,
        toUs: out.open ? null : out.toUs,
      }),
    );
    if (same(before, found)) return false;
    for (const out of before) this.#remove.run(gatewayId, out.fromUs, out.fromUs + 1);
    for (const out of found) this.#insert.run(gatewayId, out.fromUs, out.toUs);
    this.#byGateway = null;
    return true;
  }

  /** When all of these gateways were out at once, within a stretch. A gateway that never was out empties it. */
  readonly outOfReach: OutOfReach = (gatewayIds, stretch) => {
    let common: TimeRange[] | null = null;
    for (const id of gatewayIds) {
      const out = this.#of(id)
        .filter(
          ({ fromUs, toUs }) => fromUs < stretch.toUs && (toUs ?? Number.MAX_SAFE_INTEGER) > stretch.fromUs,
        )
        .map(({ fromUs, toUs }) => ({
          fromUs: Math.max(fromUs, stretch.fromUs),
          toUs: Math.min(toUs ?? stretch.toUs, stretch.toUs),
        }));
      common = common === null ? out : intersect(common, out);
      if (common.length === 0) return common;
    }
    return common ?? [];
  };

  /** Outages of one gateway that touch a stretch. */
  touching(gatewayId: number, { fromUs, toUs }: TimeRange): OutageRow[] {
    return this.#of(gatewayId).filter((out) => reaches(out, fromUs, toUs));
  }

  /** When none of these gateways was recorded, within a range. */
  readonly notRecorded: OutOfReach = (gatewayIds, range) => this.#recorded().missing(range, gatewayIds);

  /** Whether all of a range was recorded, of at least one of these gateways. */
  isRecorded(range: TimeRange, gatewayIds: readonly number[]): boolean {
    return range.fromUs >= removedToUs(this.#db) && this.#recorded().missing(range, gatewayIds).length === 0;
  }

  /** Where nothing was recorded of a gateway, or its datagrams were removed, within a range. */
  missing(gatewayId: number, { fromUs, toUs }: TimeRange): TimeRange[] {
    const removed = { fromUs, toUs: Math.min(toUs, removedToUs(this.#db)) };
    return unite([removed, ...this.#recorded().missing({ fromUs, toUs }, [gatewayId])]);
  }

  forget(): void {
    this.#byGateway = null;
  }

  /** All outages, of every gateway. */
  all(): OutageRow[] {
    this.#of(0);
    return [...(this.#byGateway?.values() ?? [])].flat();
  }

  /** An outage as it was known: one that ended later goes on, if it was long enough by then. */
  #asKnown(row: OutageRow): OutageRow[] {
    if ((row.toUs ?? row.fromUs) <= this.#knownUs && (row.toUs !== null || isEndless(this.#knownUs)))
      return [row];
    if (row.fromUs >= this.#knownUs) return [];
    const range = { fromUs: row.fromUs, toUs: this.#knownUs + 1 };
    const search = { endUs: this.#knownUs, cut: true };
    return outagesBetween(this.#db, this.#recorded(), row.gatewayId, range, search)
      .filter(({ fromUs }) => fromUs === row.fromUs)
      .map(({ fromUs, toUs, open }) => ({ gatewayId: row.gatewayId, fromUs, toUs: open ? null : toUs }));
  }

  #of(gatewayId: number): readonly OutageRow[] {
    if (this.#byGateway === null) {
      this.#byGateway = new Map();
      for (const out of (this.#all.all() as OutageRow[]).flatMap((row) => this.#asKnown(row))) {
        const list = this.#byGateway.get(out.gatewayId);
        if (list === undefined) this.#byGateway.set(out.gatewayId, [out]);
        else list.push(out);
      }
    }
    return this.#byGateway.get(gatewayId) ?? [];
  }
}

function isEndless(knownUs: number): boolean {
  return knownUs === Number.MAX_SAFE_INTEGER;
}

function reaches(out: OutageRow, fromUs: number, toUs: number): boolean {
  return out.fromUs < toUs && (out.toUs === null || out.toUs > fromUs);
}

function same(a: readonly OutageRow[], b: readonly OutageRow[]): boolean {
  return a.length === b.length && a.every((out, i) => out.fromUs === b[i]?.fromUs && out.toUs === b[i]?.toUs);
}
