/** Which counter lives are there, and what do people call their nodes? */

import { GROUPING_WINDOW_US } from "../../ledger/group-receptions.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { narrowedGateways } from "../narrowed.ts";
import type { Store } from "../open.ts";
import { allGateways } from "./gateways.ts";
import { columnsOf, OF_LIFE, prepared } from "./statement.ts";

export interface LifeRecord {
  readonly id: number;
  readonly devAddr: number;
  readonly number: number;
  readonly begunBy: string;
  readonly reason: string;
  readonly firstAtUs: number;
  readonly lastAtUs: number;
  readonly firstCounter: number;
  readonly lastCounter: number;
  readonly heard: number;
  readonly devEui: string | null;
  /** Row id of the keys that proved it. */
  readonly keyId: number | null;
  readonly proof: "mic" | "join-time" | null;
}

const LIFE = `SELECT id, dev_addr AS devAddr, number, begun_by AS begunBy, reason, first_at_us AS firstAtUs,
  last_at_us AS lastAtUs, first_counter AS firstCounter, last_counter AS lastCounter, heard,
  dev_eui AS devEui, key_id AS keyId, proof FROM life`;

/** All counter lives. `untilUs`: as they were known then; whether two lives are one device is decided by all frames. */
export function allLives(store: Store, untilUs = Number.MAX_SAFE_INTEGER): LifeRecord[] {
  const rows = prepared(store, LIFE).all() as LifeRecord[];
  return rows.flatMap((row) => {
    if (row.lastAtUs <= untilUs) return [row];
    if (row.firstAtUs > untilUs) return [];
    return [{ ...row, lastAtUs: lastFrameUs(store, row.id, untilUs) ?? row.firstAtUs }];
  });
}

/** What a list of nodes is chosen by. */
export type LifeSpan = Pick<
  LifeRecord,
  "id" | "devAddr" | "number" | "firstAtUs" | "lastAtUs" | "firstCounter" | "lastCounter" | "heard"
> & {
  /** It began beside another one of its address, or nobody knows how: it ends none. */
  readonly isBeside: boolean;
};

const SPAN_COLUMNS = [
  "id",
  "dev_addr",
  "number",
  "first_at_us",
  "last_at_us",
  "first_counter",
  "last_counter",
  "heard",
  "begun_by IN ('second-device', 'unexplained')",
];

/** All counter lives as allLives tells them, without their texts: a fifth of the time for tens of thousands. */
export function lifeSpans(store: Store, untilUs: number): ReadonlyMap<number, LifeSpan> {
  const columns = columnsOf(store, SPAN_COLUMNS, "FROM life", []);
  const [ids = [], addresses, numbers, firsts, lasts, firstCounters, lastCounters, heard, beside] = columns;
  const spans = new Map<number, LifeSpan>();
  for (let i = 0; i < ids.length; i++) {
    const id = ids[i] ?? 0;
    const firstAtUs = firsts?.[i] ?? 0;
    const lastAtUs = lasts?.[i] ?? 0;
    if (lastAtUs > untilUs && firstAtUs > untilUs) continue;
    spans.set(id, {
      id,
      devAddr: addresses?.[i] ?? 0,
      number: numbers?.[i] ?? 0,
      firstAtUs,
      lastAtUs: lastAtUs <= untilUs ? lastAtUs : (lastFrameUs(store, id, untilUs) ?? firstAtUs),
      firstCounter: firstCounters?.[i] ?? 0,
      lastCounter: lastCounters?.[i] ?? 0,
      heard: heard?.[i] ?? 0,
      isBeside: beside?.[i] === 1,
    });
  }
  return spans;
}

/** Some life was known at a moment whose address is below `endAddress`. */
export function anyLifeBelow(store: Store, endAddress: number, untilUs: number): boolean {
  return (
    prepared(
      store,
      "SELECT 1 FROM life WHERE dev_addr < @end AND (first_at_us <= @until OR last_at_us <= @until) LIMIT 1",
    ).get({ end: endAddress, until: untilUs }) !== undefined
  );
}

function lastFrameUs(store: Store, lifeId: number, untilUs: number): number | null {
  return prepared(store, `SELECT max(at_us) FROM frame WHERE ${OF_LIFE} AND at_us <= ? AND replay = 0`)
    .pluck()
    .get(lifeId, lifeId, untilUs) as number | null;
}

/** The lives of one address in order of time. */
export function livesOf(store: Store, devAddr: number): LifeRecord[] {
  return prepared(store, `${LIFE} WHERE dev_addr = ? ORDER BY first_at_us, number`).all(
    devAddr,
  ) as LifeRecord[];
}

/** Lives of the device that lived one: the same DevEUI, or proved by the same keys. In order of time. */
export function livesOfDevice(store: Store, of: Pick<LifeRecord, "devEui" | "keyId">): LifeRecord[] {
  return prepared(
    store,
    `${LIFE} WHERE (dev_eui IS NOT NULL AND dev_eui = ?) OR (key_id IS NOT NULL AND key_id = ?)
     ORDER BY first_at_us, dev_addr, number`,
  ).all(of.devEui, of.keyId) as LifeRecord[];
}

/** Addresses whose counters are yet to be counted again: frames of theirs came out of order, or keys changed. */
export function addressesToRecount(store: Store): ReadonlySet<number> {
  return new Set(prepared(store, "SELECT dev_addr FROM account_due").pluck().all() as number[]);
}

/** Counters heard of a life up to a moment; all of them where it is endless. */
export function heardUntil(
  store: Store,
  { id, heard }: Pick<LifeRecord, "id" | "heard">,
  untilUs: number,
): number {
  if (untilUs >= Number.MAX_SAFE_INTEGER) return heard;
  const later = prepared(
    store,
    // Counted from the end: what was removed is among those of before.
    `SELECT count(*) FROM frame WHERE ${OF_LIFE} AND at_us > ? AND repeat = 0 AND replay = 0`,
  )
    .pluck()
    .get(id, id, untilUs) as number;
  return heard - later;
}

export interface LabelRecord {
  readonly id: string;
  readonly name: string | null;
  readonly own: number | null;
  /** Of a gateway: the site that it belongs to. */
  readonly site: string | null;
}

export function labels(store: Store, kind: "gateway" | "node"): ReadonlyMap<string, LabelRecord> {
  const rows = prepared(store, "SELECT id, name, own, site FROM label WHERE kind = ?").all(
    kind,
  ) as LabelRecord[];
  return new Map(rows.map((row) => [row.id, row]));
}

/** By gateway: the first reception of a site may lie behind millions of others'. */
const FIRST_HEARD = `(SELECT min((SELECT min(at_us) FROM main.reception WHERE gateway_id = gateway.id)) FROM gateway)`;

/**
 * First and last moment of anything stored; null in an empty store. A packet dated back may lie before the first
 * datagram. `untilUs`: of what was stored until then.
 */
export function storedSpanUs(
  store: Store,
  untilUs = Number.MAX_SAFE_INTEGER,
): { fromUs: number; toUs: number } | null {
  const row = prepared(
    store,
    `SELECT (SELECT min(first_at_us) FROM gateway) AS fromUs, (SELECT max(last_at_us) FROM gateway) AS toUs,
            ${narrowedGateways(store) === null ? "(SELECT min(at_us) FROM reception)" : FIRST_HEARD} AS heardUs`,
  ).get() as { fromUs: number | null; toUs: number | null; heardUs: number | null };
  const { fromUs, toUs, heardUs } = row;
  if (fromUs === null || toUs === null) return null;
  const span = { fromUs: Math.min(fromUs, heardUs ?? fromUs), toUs };
  if (toUs <= untilUs) return span;
  const there = allGateways(store, untilUs).map(({ lastAtUs }) => lastAtUs);
  return there.length === 0 ? null : { ...span, toUs: Math.max(...there) };
}

const MINUTE_US = 60_000_000;

/** Returns the first minute from `fromUs` on in which any gateway sent a datagram, microseconds; null without one. */
export function firstMinuteUs(store: Store, fromUs: number): number | null {
  const minute = prepared(
    store,
    `SELECT min((SELECT min(minute) FROM gateway_minute WHERE gateway_id = gateway.id AND minute >= ?))
       FROM gateway WHERE last_at_us >= ?`,
  )
    .pluck()
    .get(Math.floor(fromUs / MINUTE_US), fromUs) as number | null;
  return minute === null ? null : minute * MINUTE_US;
}

export function lifeNumber(store: Store, lifeId: number): number | null {
  return (
    (prepared(store, "SELECT number FROM life WHERE id = ?").pluck().get(lifeId) as number | undefined) ??
    null
  );
}

// Which ways were heard in a window, and at which levels in the median? One row a life and gateway.

export interface WayHearings {
  readonly lifeId: number;
  readonly gatewayId: number;
  /** Columns of one length; levels in tenths. */
  readonly dataRate: number[];
  readonly frequencyHz: (number | null)[];
  readonly snrTenths: (number | null)[];
  readonly rssiTenths: (number | null)[];
  readonly signalRssiTenths: (number | null)[];
}

/** Newest receptions that a plan rests on. */
const MAX_RECEPTIONS = 60_000;

/** Of the lives named only: a stranger can invent any number of others. */
export function wayHearings(
  store: Store,
  { fromUs, toUs }: TimeRange,
  lifeIds: readonly number[],
): WayHearings[] {
  if (lifeIds.length === 0) return [];
  const ids = `(${lifeIds.map(() => "?").join(",")})`;
  const [lives = [], gateways, rates, frequencies, snrs, rssis, signals] = columnsOf(
    store,
    ["life_id", "gateway_id", "data_rate", "frequency_hz", "snr_tenths", "rssi_tenths", "signal_rssi_tenths"],
    `FROM (SELECT f.life_id, r.gateway_id, f.data_rate, r.frequency_hz, r.snr_tenths, r.rssi_tenths,
             r.signal_rssi_tenths
           FROM main.frame f CROSS JOIN reception r ON r.frame_id = f.id
           WHERE f.dev_addr IN (SELECT dev_addr FROM main.life WHERE id IN ${ids}) AND f.life_id IN ${ids} AND f.at_us >= ? AND f.at_us < ?
             AND f.replay = 0 AND r.at_us < ?
           ORDER BY f.at_us DESC LIMIT ?)`,
    [...lifeIds, ...lifeIds, fromUs, toUs, toUs + GROUPING_WINDOW_US, MAX_RECEPTIONS],
  );
  const ways = new Map<string, WayHearings>();
  lives.forEach((lifeId, i) => {
    const gatewayId = gateways?.[i] ?? 0;
    const key = `${lifeId} ${gatewayId}`;
    let way = ways.get(key);
    if (way === undefined) {
      way = {
        lifeId: lifeId ?? 0,
        gatewayId,
        dataRate: [],
        frequencyHz: [],
        snrTenths: [],
        rssiTenths: [],
        signalRssiTenths: [],
      };
      ways.set(key, way);
    }
    way.dataRate.push(rates?.[i] ?? 0);
    way.frequencyHz.push(frequencies?.[i] ?? null);
    way.snrTenths.push(snrs?.[i] ?? null);
    way.rssiTenths.push(rssis?.[i] ?? null);
    way.signalRssiTenths.push(signals?.[i] ?? null);
  });
  return [...ways.values()];
}

// What speaks for or against the channels that a gateway listens to: counters as it heard them, and join-requests.

/** Enough to tell one in eight from one in four, and little to read. */
const NEWEST = 4000;

export interface HeardCounter {
  readonly lifeId: number;
  readonly counter: number;
  readonly dataRate: number;
  readonly snrTenths: number | null;
}

/** The newest counters of the window that one gateway heard, newest first. */
export function heardCounters(store: Store, gatewayId: number, window: TimeRange): HeardCounter[] {
  return prepared(
    store,
    `SELECT f.life_id AS lifeId, f.counter, f.data_rate AS dataRate, r.snr_tenths AS snrTenths
     FROM reception r JOIN main.frame f ON f.id = r.frame_id
     WHERE r.at_us >= ? AND r.at_us < ? AND r.gateway_id = ? AND r.crc = 0 AND r.ghost = 0
       AND f.life_id IS NOT NULL AND f.counter IS NOT NULL
     ORDER BY r.at_us DESC LIMIT ${NEWEST}`,
  ).all(window.fromUs, window.toUs, gatewayId) as HeardCounter[];
}

/** Join-requests (message type 0) that one gateway heard in the window. */
export function joinRequestsHeard(store: Store, gatewayId: number, window: TimeRange): number {
  return prepared(
    store,
    `SELECT count(*) FROM frame f INDEXED BY frame_join
     WHERE f.message_type = 0 AND f.at_us >= ? AND f.at_us < ?
       AND EXISTS (SELECT 1 FROM reception r WHERE r.frame_id = f.id AND r.gateway_id = ? AND r.ghost = 0)`,
  )
    .pluck()
    .get(window.fromUs, window.toUs, gatewayId) as number;
}
