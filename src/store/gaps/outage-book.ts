/**
 * When was each gateway silent for longer than its keepalives allow? Keeps the `gateway_outage` rows up to the frontier
 * of the search, and answers when a set of gateways was out of reach at once.
 */
import type { Statement } from "better-sqlite3";
import type { OutOfReach, Stretch } from "../../ledger/gaps/life-watch.ts";
import type { Store } from "../open.ts";
import { keepaliveUs, silencesUs, statusSpacingUs } from "../queries/gateways.ts";

/** Three keepalives without a datagram are an outage, and no less than this. UDP forwarding practice. */
const INTERVALS = 3;
const LEAST_US = 30_000_000;
/** A gateway's interval is told from so long before a silence; from longer where that holds too few. */
const LOOK_BACK_US = 3_600_000_000;
const FAR_BACK_US = 86_400_000_000;

export interface Outage {
  readonly gatewayId: number;
  readonly fromUs: number;
  /** null: it has not come back. */
  readonly toUs: number | null;
}

export class OutageBook {
  readonly #db: Store;
  readonly #insert: Statement;
  readonly #remove: Statement;
  readonly #all: Statement;
  #byGateway: Map<number, Outage[]> | null = null;

  constructor(db: Store) {
    this.#db = db;
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
  scan(gatewayId: number, { fromUs, toUs }: Stretch, nowUs: number): boolean {
    const before = this.#of(gatewayId).filter((out) => reaches(out, fromUs, toUs));
    const from = Math.min(fromUs, ...before.map((out) => out.fromUs));
    const found: Outage[] = silencesUs(this.#db, gatewayId, { fromUs: from, toUs }, LEAST_US)
      .filter((silence) => silence.toUs <= toUs && this.#isOutage(gatewayId, silence))
      .map((silence) => ({ gatewayId, ...silence }));
    const lastUs = this.#db
      .prepare("SELECT max(at_us) FROM datagram WHERE gateway_id = ? AND at_us <= ?")
      .pluck()
      .get(gatewayId, toUs) as number | null;
    if (lastUs !== null && this.#isOutage(gatewayId, { fromUs: lastUs, toUs: nowUs })) {
      found.push({ gatewayId, fromUs: lastUs, toUs: null });
    }
    if (same(before, found)) return false;
    for (const out of before) this.#remove.run(gatewayId, out.fromUs, out.fromUs + 1);
    for (const out of found) this.#insert.run(gatewayId, out.fromUs, out.toUs);
    this.#byGateway = null;
    return true;
  }

  /** When all of these gateways were out at once, within a stretch. A gateway that never was out empties it. */
  readonly outOfReach: OutOfReach = (gatewayIds, stretch) => {
    let common: Stretch[] | null = null;
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
  touching(gatewayId: number, { fromUs, toUs }: Stretch): Outage[] {
    return this.#of(gatewayId).filter((out) => reaches(out, fromUs, toUs));
  }

  forget(): void {
    this.#byGateway = null;
  }

  #of(gatewayId: number): readonly Outage[] {
    if (this.#byGateway === null) {
      this.#byGateway = new Map();
      for (const out of this.#all.all() as Outage[]) {
        const list = this.#byGateway.get(out.gatewayId);
        if (list === undefined) this.#byGateway.set(out.gatewayId, [out]);
        else list.push(out);
      }
    }
    return this.#byGateway.get(gatewayId) ?? [];
  }

  /** Longer than the intervals before it allow. A gateway that sends neither keepalives nor reports is not judged. */
  #isOutage(gatewayId: number, { fromUs, toUs }: Stretch): boolean {
    const silentUs = toUs - fromUs;
    if (silentUs <= LEAST_US) return false;
    for (const back of [LOOK_BACK_US, FAR_BACK_US]) {
      const window = { fromUs: fromUs - back, toUs: fromUs + 1 };
      const interval =
        keepaliveUs(this.#db, gatewayId, window) ?? statusSpacingUs(this.#db, gatewayId, window);
      if (interval !== null) return silentUs > INTERVALS * interval;
    }
    return false;
  }
}

function reaches(out: Outage, fromUs: number, toUs: number): boolean {
  return out.fromUs < toUs && (out.toUs === null || out.toUs > fromUs);
}

function same(a: readonly Outage[], b: readonly Outage[]): boolean {
  return a.length === b.length && a.every((out, i) => out.fromUs === b[i]?.fromUs && out.toUs === b[i]?.toUs);
}

function intersect(a: readonly Stretch[], b: readonly Stretch[]): Stretch[] {
  return a.flatMap((one) =>
    b
      .map((other) => ({
        fromUs: Math.max(one.fromUs, other.fromUs),
        toUs: Math.min(one.toUs, other.toUs),
      }))
      .filter(({ fromUs, toUs }) => fromUs < toUs),
  );
}
