/**
 * When was each gateway out of reach? Keeps the `gateway_outage` rows up to the frontier
 * of the search, and answers when a set of gateways was out of reach at once.
 */
import type { Statement } from "better-sqlite3";
import type { OutOfReach } from "../../ledger/gaps/life-watch.ts";
import { intersect, type TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { outagesBetween } from "../outages.ts";
import type { RecordedTime } from "../recorded-time.ts";

export interface Outage {
  readonly gatewayId: number;
  readonly fromUs: number;
  /** null: it has not come back. */
  readonly toUs: number | null;
}

export class OutageBook {
  readonly #db: Store;
  readonly #recorded: () => RecordedTime;
  readonly #knownUs: number;
  readonly #insert: Statement;
  readonly #remove: Statement;
  readonly #all: Statement;
  #byGateway: Map<number, Outage[]> | null = null;

  /** `recorded`: the recorded time as it is known now. `knownUs`: outages as they were known then, to be read only. */
  constructor(db: Store, recorded: () => RecordedTime, knownUs = Number.MAX_SAFE_INTEGER) {
    this.#knownUs = knownUs;
    this.#db = db;
    this.#recorded = recorded;
    this.#insert = db.prepare(
      "INSERT OR REPLACE INTO gateway_outage (gateway_id, from_us, to_us) VALUES (?, ?, ?)",
    );
    this.#remove = db.prepare(
      "DELETE FROM gateway_outage WHERE gateway_id = ? AND (to_us IS NULL OR to_us > ?) AND from_us < ?",
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
    const found: Outage[] = outagesBetween(this.#db, this.#recorded(), gatewayId, range, search).map(
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
  touching(gatewayId: number, { fromUs, toUs }: TimeRange): Outage[] {
    return this.#of(gatewayId).filter((out) => reaches(out, fromUs, toUs));
  }

  /** When none of these gateways was recorded, within a range. */
  readonly notRecorded: OutOfReach = (gatewayIds, range) => this.#recorded().missing(range, gatewayIds);

  /** Whether all of a range was recorded, of at least one of these gateways. */
  isRecorded(range: TimeRange, gatewayIds: readonly number[]): boolean {
    return this.#recorded().missing(range, gatewayIds).length === 0;
  }

  /** Where nothing was recorded of a gateway, within a range. */
  missing(gatewayId: number, range: TimeRange): TimeRange[] {
    return this.#recorded().missing(range, [gatewayId]);
  }

  forget(): void {
    this.#byGateway = null;
  }

  /** All outages, of every gateway. */
  all(): Outage[] {
    this.#of(0);
    return [...(this.#byGateway?.values() ?? [])].flat();
  }

  /** An outage as it was known: one that ended later goes on, if it was long enough by then. */
  #asKnown(row: Outage): Outage[] {
    if ((row.toUs ?? row.fromUs) <= this.#knownUs && (row.toUs !== null || isEndless(this.#knownUs)))
      return [row];
    if (row.fromUs >= this.#knownUs) return [];
    const range = { fromUs: row.fromUs, toUs: this.#knownUs + 1 };
    const search = { endUs: this.#knownUs, cut: true };
    return outagesBetween(this.#db, this.#recorded(), row.gatewayId, range, search)
      .filter(({ fromUs }) => fromUs === row.fromUs)
      .map(({ fromUs, toUs, open }) => ({ gatewayId: row.gatewayId, fromUs, toUs: open ? null : toUs }));
  }

  #of(gatewayId: number): readonly Outage[] {
    if (this.#byGateway === null) {
      this.#byGateway = new Map();
      for (const out of (this.#all.all() as Outage[]).flatMap((row) => this.#asKnown(row))) {
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

function reaches(out: Outage, fromUs: number, toUs: number): boolean {
  return out.fromUs < toUs && (out.toUs === null || out.toUs > fromUs);
}

function same(a: readonly Outage[], b: readonly Outage[]): boolean {
  return a.length === b.length && a.every((out, i) => out.fromUs === b[i]?.fromUs && out.toUs === b[i]?.toUs);
}
