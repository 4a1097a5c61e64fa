/** What is stored of each gateway: when its datagrams came, what it reported, what was rejected of it? */
import type { TimeRange } from "../../model/time-range.ts";
import { medianInPlace } from "../../statistics/robust.ts";
import { GATHERED_HOUR_US, windowParts } from "../hours/gathered.ts";
import type { Store } from "../open.ts";
import { removedToUs } from "../retention.ts";
import { columnsOf, prepared, rowsWhileUnchanged } from "./statement.ts";

export interface GatewayRecord {
  readonly id: number;
  readonly eui: string;
  readonly firstAtUs: number;
  readonly lastAtUs: number;
  readonly versions: number;
  readonly pullSource: string | null;
  readonly pushSource: string | null;
}

/** All gateways, in order of their first datagram. `untilUs`: as they were known then. */
export function allGateways(store: Store, untilUs = Number.MAX_SAFE_INTEGER): GatewayRecord[] {
  return gatewayRows(store).flatMap((row) => {
    if (row.lastAtUs <= untilUs) return [row];
    if (row.firstAtUs > untilUs) return [];
    return [{ ...row, lastAtUs: lastDatagramUs(store, row.id, untilUs) ?? row.firstAtUs }];
  });
}

/** Of removed time, to the whole hour. */
function lastDatagramUs(store: Store, gatewayId: number, untilUs: number): number | null {
  if (untilUs < removedToUs(store)) return lastOfHours(store, gatewayId, untilUs + 1);
  return prepared(store, "SELECT max(at_us) FROM datagram WHERE gateway_id = ? AND at_us <= ?")
    .pluck()
    .get(gatewayId, untilUs) as number | null;
}

/** The last datagram of the gathered hours that end at a moment or before. */
function lastOfHours(store: Store, gatewayId: number, toUs: number): number | null {
  return prepared(store, "SELECT max(last_us) FROM gateway_hour WHERE gateway_id = ? AND hour < ?")
    .pluck()
    .get(gatewayId, Math.floor(toUs / GATHERED_HOUR_US)) as number | null;
}

function gatewayRows(store: Store): readonly GatewayRecord[] {
  return rowsWhileUnchanged(
    store,
    `SELECT id, eui, first_at_us AS firstAtUs, last_at_us AS lastAtUs, versions, pull_source AS pullSource,
            push_source AS pushSource
     FROM gateway ORDER BY first_at_us, eui`,
  ) as readonly GatewayRecord[];
}

export function gatewayCount(store: Store): number {
  return prepared(store, "SELECT count(*) FROM gateway").pluck().get() as number;
}

export interface RivalRecord {
  readonly eui: string;
  /** Who asked for downlinks last, and who else at the same time: "address port". */
  readonly source: string;
  readonly rival: string;
  readonly atUs: number;
}

/** Gateways in whose name two sources asked for downlinks within the window, newest first. */
export function rivals(store: Store, { fromUs, toUs }: TimeRange): RivalRecord[] {
  return prepared(
    store,
    `SELECT eui, pull_source AS source, rival_source AS rival, rival_at_us AS atUs FROM gateway
     WHERE rival_at_us >= ? AND rival_at_us < ? AND rival_source IS NOT pull_source ORDER BY rival_at_us DESC, eui`,
  ).all(fromUs, toUs) as RivalRecord[];
}

/** Identifiers that a person named, placed, put on the plan, marked, noted on the bench or chose as its reference. */
export function gatewaysOfPeople(store: Store): ReadonlySet<string> {
  const euis = prepared(
    store,
    `SELECT id FROM label WHERE kind = 'gateway' UNION SELECT id FROM position WHERE kind = 'gateway'
     UNION SELECT gateway_eui FROM placement UNION SELECT gateway_eui FROM mark WHERE gateway_eui IS NOT NULL
     UNION SELECT json_extract(value, '$.eui') FROM setting WHERE key = 'bench-reference'
     UNION SELECT gateway_eui FROM bench_record`,
  )
    .pluck()
    .all() as string[];
  return new Set(euis);
}

/** Kind codes of the `datagram` table; duplicates carry 16 more. */
export const PULL = 2;

/** Median spacing of keepalives within the window, microseconds; null below three of them. */
export function keepaliveUs(store: Store, gatewayId: number, window: TimeRange): number | null {
  return medianSpacing(
    store,
    `SELECT at_us FROM datagram WHERE gateway_id = @id AND at_us >= @from AND at_us < @to AND kind = ${PULL}
     ORDER BY at_us DESC LIMIT 2000`,
    gatewayId,
    window,
  );
}

/**
 * The same of removed time, where whole hours alone tell how many came: the median over the hours with any. Null where
 * the window holds none, or lies behind what was removed.
 */
export function keepaliveOfHoursUs(store: Store, gatewayId: number, window: TimeRange): number | null {
  const toUs = Math.min(window.toUs, removedToUs(store));
  if (window.fromUs >= toUs) return null;
  const counts = prepared(
    store,
    "SELECT keepalives FROM gateway_hour WHERE gateway_id = ? AND hour >= ? AND hour < ? AND keepalives > 0",
  )
    .pluck()
    .all(gatewayId, Math.floor(window.fromUs / GATHERED_HOUR_US), Math.ceil(toUs / GATHERED_HOUR_US));
  if (counts.length === 0) return null;
  return GATHERED_HOUR_US / medianInPlace(Float64Array.from(counts as number[]));
}

/** When the newest keepalive of the window arrived, microseconds since 1970; null: none did. */
export function lastKeepaliveUs(store: Store, gatewayId: number, { fromUs, toUs }: TimeRange): number | null {
  const found = prepared(
    store,
    `SELECT at_us FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND kind & 15 = ${PULL}
     ORDER BY at_us DESC LIMIT 1`,
  )
    .pluck()
    .get(gatewayId, fromUs, toUs) as number | undefined;
  return found ?? null;
}

/** Median spacing of status reports, as of keepalives. */
export function statusSpacingUs(store: Store, gatewayId: number, window: TimeRange): number | null {
  return medianSpacing(
    store,
    `SELECT at_us FROM status_report WHERE gateway_id = @id AND at_us >= @from AND at_us < @to
     ORDER BY at_us DESC LIMIT 2000`,
    gatewayId,
    window,
  );
}

/** `times`: the newest times first, from @from. */
function medianSpacing(store: Store, times: string, gatewayId: number, window: TimeRange): number | null {
  const [found = []] = columnsOf(store, ["at_us - @from"], `FROM (${times})`, {
    id: gatewayId,
    from: window.fromUs,
    to: window.toUs,
  });
  if (found.length < 3) return null;
  const steps = new Float64Array(found.length - 1);
  for (let i = 0; i < steps.length; i++) steps[i] = (found[i] ?? 0) - (found[i + 1] ?? 0);
  return medianInPlace(steps);
}

/**
 * Stretches between two datagrams of a gateway that are longer than `limitUs`, touching the window. Gathered hours without
 * any are passed over; in the rest it leaps from datagram to datagram as far as the limit reaches.
 */
export function silencesUs(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  limitUs: number,
): { fromUs: number; toUs: number }[] {
  const of = "FROM datagram WHERE gateway_id = ? AND at_us";
  const last = prepared(store, `SELECT max(at_us) ${of} > ? AND at_us <= ?`).pluck();
  const next = prepared(store, `SELECT min(at_us) ${of} > ?`).pluck();
  const before = prepared(store, `SELECT max(at_us) ${of} <= ?`).pluck();
  const silences: { fromUs: number; toUs: number }[] = [];
  let atUs = (before.get(gatewayId, window.fromUs) ?? next.get(gatewayId, window.fromUs)) as number | null;
  /** Follows the datagrams as long as the newest known lies before a moment. */
  const leapTo = (toUs: number) => {
    while (atUs !== null && atUs < toUs) {
      const leapUs = last.get(gatewayId, atUs, atUs + limitUs) as number | null;
      if (leapUs !== null) {
        atUs = leapUs;
        continue;
      }
      const nextUs = next.get(gatewayId, atUs) as number | null;
      if (nextUs !== null) silences.push({ fromUs: atUs, toUs: nextUs });
      atUs = nextUs;
    }
  };
  for (const { firstUs, lastUs } of quietHours(store, gatewayId, window, limitUs)) {
    leapTo(firstUs - limitUs);
    // From there on the hour's first datagram comes before the limit is over.
    if (atUs !== null) atUs = Math.max(atUs, lastUs);
  }
  leapTo(window.toUs);
  return silences;
}

/** Gathered hours in which no two datagrams are further apart than the limit, in order. */
function quietHours(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  limitUs: number,
): { firstUs: number; lastUs: number }[] {
  const statement = prepared(
    store,
    `SELECT first_us AS firstUs, last_us AS lastUs FROM gateway_hour
     WHERE gateway_id = ? AND hour >= ? AND hour < ? AND longest_us <= ? ORDER BY hour`,
  );
  return windowParts(store, window).hours.flatMap(
    ({ from, to }) => statement.all(gatewayId, from, to, limitUs) as { firstUs: number; lastUs: number }[],
  );
}

/** First datagram at or after, and last datagram before, a moment. */
export function datagramsAround(
  store: Store,
  gatewayId: number,
  window: TimeRange,
): { firstUs: number | null; lastUs: number | null } {
  if (window.fromUs < removedToUs(store)) {
    const first = prepared(store, "SELECT first_at_us FROM gateway WHERE id = ?").pluck();
    const lastUs = lastDatagramUs(store, gatewayId, window.toUs - 1);
    return { firstUs: lastUs === null ? null : (first.get(gatewayId) as number), lastUs };
  }
  return prepared(
    store,
    `SELECT (SELECT min(at_us) FROM datagram WHERE gateway_id = @id) AS firstUs,
            (SELECT max(at_us) FROM datagram WHERE gateway_id = @id AND at_us < @to) AS lastUs`,
  ).get({ id: gatewayId, to: window.toUs }) as { firstUs: number | null; lastUs: number | null };
}

export function restartsUs(store: Store, gatewayId: number, window: TimeRange): number[] {
  return prepared(
    store,
    "SELECT at_us FROM gateway_restart WHERE gateway_id = ? AND at_us >= ? AND at_us < ? ORDER BY at_us",
  )
    .pluck()
    .all(gatewayId, window.fromUs, window.toUs) as number[];
}

/** The newest report of the window that says something. */
export function newestReport(
  store: Store,
  gatewayId: number,
  window: TimeRange,
): { ackTenths: number | null; temperatureTenths: number | null } | null {
  const row = prepared(
    store,
    `SELECT ack_tenths_percent AS ackTenths, temperature_tenths_c AS temperatureTenths FROM status_report
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ?
       AND (ack_tenths_percent IS NOT NULL OR temperature_tenths_c IS NOT NULL)
     ORDER BY at_us DESC LIMIT 1`,
  ).get(gatewayId, window.fromUs, window.toUs);
  return (row as { ackTenths: number | null; temperatureTenths: number | null } | undefined) ?? null;
}

export interface RefusalRecord {
  readonly gatewayId: number;
  readonly reason: string;
  readonly refused: number;
  readonly count: number;
  readonly firstAtUs: number;
  readonly lastAtUs: number;
}

export function refusals(store: Store): RefusalRecord[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, reason, refused, count, first_at_us AS firstAtUs, last_at_us AS lastAtUs
     FROM refusal ORDER BY count DESC, reason`,
  ).all() as RefusalRecord[];
}

export interface SampleRecord {
  readonly reason: string;
  readonly atUs: number;
  readonly source: string;
  readonly sentence: string;
  readonly size: number;
  readonly bytes: Uint8Array;
}

/** The newest samples over all reasons. */
export function refusalSamples(store: Store, most: number): SampleRecord[] {
  return prepared(
    store,
    `SELECT reason, at_us AS atUs, source, sentence, size, bytes FROM refusal_sample ORDER BY id DESC LIMIT ?`,
  ).all(most) as SampleRecord[];
}
