/** Which datagrams came of one gateway, and what did its status reports say? For the bench list. */
import type { TimeRange } from "../../model/time-range.ts";
import { windowParts } from "../hours/gathered.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

/** Four days of keepalives every 10 s. Beyond that the newest are read, and the check says since when. */
const MAX_KEEPALIVES = 40_000;
/** 17 days of reports every 30 s. */
const MAX_REPORTS = 50_000;

/** Rows of a window, the newest where there are too many. */
export interface Newest<T> {
  readonly rows: readonly T[];
  /** Begin of what was read, when older rows were left out; null: the whole window was read. */
  readonly sinceUs: number | null;
}

/** Returns the rows with the begin of what was read; `max` is how many were asked for at the most. */
export function newest<T extends { readonly atUs: number }>(rows: readonly T[], max: number): Newest<T> {
  return {
    rows,
    sinceUs: begunAt(
      rows.map(({ atUs }) => atUs),
      max,
    ),
  };
}

/** The same of times alone. */
function newestTimes(timesUs: readonly number[], max: number): Newest<number> {
  return { rows: timesUs, sinceUs: begunAt(timesUs, max) };
}

function begunAt(timesUs: readonly number[], max: number): number | null {
  return timesUs.length < max ? null : timesUs.reduce((a, b) => Math.min(a, b), Number.POSITIVE_INFINITY);
}

/** Keepalives of the window, oldest first. */
export function keepaliveTimesUs(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_KEEPALIVES,
): Newest<number> {
  const times = prepared(
    store,
    `SELECT at_us FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND kind = 2
     ORDER BY at_us DESC LIMIT ?`,
  )
    .pluck()
    .all(gatewayId, window.fromUs, window.toUs, max) as number[];
  return newestTimes(times.reverse(), max);
}

export interface DatagramCounts {
  /** Copies left out. */
  readonly datagrams: number;
  readonly keepalives: number;
  readonly firstUs: number | null;
  readonly lastUs: number | null;
}

export function datagramCounts(store: Store, gatewayId: number, window: TimeRange): DatagramCounts {
  const rows = prepared(
    store,
    `SELECT count(*) FILTER (WHERE kind < 16) AS datagrams, count(*) FILTER (WHERE kind = 2) AS keepalives,
            min(at_us) AS firstUs, max(at_us) AS lastUs
     FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ?`,
  );
  const gathered = prepared(
    store,
    `SELECT total(datagrams) AS datagrams, total(keepalives) AS keepalives, min(first_us) AS firstUs,
            max(last_us) AS lastUs
     FROM gateway_hour WHERE gateway_id = ? AND hour >= ? AND hour < ?`,
  );
  const { hours, rest } = windowParts(store, window);
  const parts = [
    ...hours.map(({ from, to }) => gathered.get(gatewayId, from, to) as DatagramCounts),
    ...rest.map(({ fromUs, toUs }) => rows.get(gatewayId, fromUs, toUs) as DatagramCounts),
  ];
  const times = parts.flatMap(({ firstUs, lastUs }) =>
    firstUs === null ? [] : [firstUs, lastUs ?? firstUs],
  );
  return {
    datagrams: parts.reduce((sum, { datagrams }) => sum + datagrams, 0),
    keepalives: parts.reduce((sum, { keepalives }) => sum + keepalives, 0),
    firstUs: times.length === 0 ? null : Math.min(...times),
    lastUs: times.length === 0 ? null : Math.max(...times),
  };
}

/** How many datagrams came, and how many copies of such. */
export function copyCounts(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
): { readonly datagrams: number; readonly duplicates: number } {
  return prepared(
    store,
    `SELECT count(*) FILTER (WHERE kind < 16) AS datagrams, count(*) FILTER (WHERE kind BETWEEN 16 AND 31) AS duplicates
     FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ?`,
  ).get(gatewayId, fromUs, toUs) as { datagrams: number; duplicates: number };
}

export interface ReportRecord {
  readonly atUs: number;
  /** The gateway's clock minus arrival; null where the report had no readable time. */
  readonly clockOffsetUs: number | null;
  readonly rxReceived: number | null;
  readonly rxCrcOk: number | null;
  readonly rxForwarded: number | null;
  readonly ackTenths: number | null;
  readonly downlinkDatagrams: number | null;
  readonly txEmitted: number | null;
}

/** Status reports of the window, oldest first. */
export function statusRecords(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_REPORTS,
): Newest<ReportRecord> {
  const rows = prepared(
    store,
    `SELECT at_us AS atUs, clock_offset_us AS clockOffsetUs, rx_received AS rxReceived, rx_crc_ok AS rxCrcOk,
            rx_forwarded AS rxForwarded, ack_tenths_percent AS ackTenths,
            downlink_datagrams AS downlinkDatagrams, tx_emitted AS txEmitted
     FROM status_report WHERE gateway_id = ? AND at_us >= ? AND at_us < ? ORDER BY at_us DESC LIMIT ?`,
  ).all(gatewayId, window.fromUs, window.toUs, max) as ReportRecord[];
  return newest(rows.reverse(), max);
}

/** Reasons for which datagrams of an address were refused without their gateway being known, from the samples kept. */
export function refusedFromAddress(
  store: Store,
  address: string,
  window: TimeRange,
): { reason: string; count: number }[] {
  return prepared(
    store,
    `SELECT reason, count(*) AS count FROM refusal_sample
     WHERE at_us >= ? AND at_us < ? AND substr(source, 1, instr(source, ' ') - 1) = ?
       AND reason IN (SELECT reason FROM refusal WHERE gateway_id = 0 AND refused = 1)
       -- what a server sent is no gateway's, at one address with it or not
       AND substr(reason, 1, 9) <> 'downlink_'
     GROUP BY reason ORDER BY 2 DESC, 1`,
  ).all(window.fromUs, window.toUs, address) as { reason: string; count: number }[];
}

// What came of the downlinks that one gateway was asked to send? For the bench list.

export interface OutcomeRecord {
  /** accepted, accepted-lower-power, refused, unreadable */
  readonly result: string;
  readonly word: string | null;
  readonly count: number;
}

export function transmitOutcomes(store: Store, gatewayId: number, window: TimeRange): OutcomeRecord[] {
  return prepared(
    store,
    `SELECT result, word, count(*) AS count FROM transmit_outcome
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ? GROUP BY result, word ORDER BY 3 DESC, 1, 2`,
  ).all(gatewayId, window.fromUs, window.toUs) as OutcomeRecord[];
}

/** A TX_ACK later than this answers something else. Chosen. */
const LATEST_ANSWER_US = 5_000_000;

/** From a downlink's passing to the TX_ACK with its token, newest first. Tokens repeat: the first answer after it counts. */
export function answerDelaysUs(store: Store, gatewayId: number, window: TimeRange, most = 20_000): number[] {
  return prepared(
    store,
    `SELECT delay FROM (SELECT at_us, (SELECT min(o.at_us) FROM transmit_outcome o
         WHERE o.gateway_id = d.gateway_id AND o.token = d.token
           AND o.at_us >= d.at_us AND o.at_us <= d.at_us + ${LATEST_ANSWER_US}) - d.at_us AS delay
       FROM downlink d INDEXED BY downlink_by_time
       WHERE d.at_us >= ? AND d.at_us < ? AND d.gateway_id = ? ORDER BY d.at_us DESC LIMIT ?)
     WHERE delay IS NOT NULL`,
  )
    .pluck()
    .all(window.fromUs, window.toUs, gatewayId, most) as number[];
}

export interface RefusedRecord {
  readonly word: string | null;
  /** Left before its moment when it passed here; null: not known. */
  readonly leadUs: number | null;
  /** rx1, rx2 …; none: no uplink heard here fits its moment. */
  readonly window: string | null;
}

/** Downlinks that a gateway refused and that passed here, newest first. */
export function refusedDownlinks(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = 2_000,
): RefusedRecord[] {
  return prepared(
    store,
    `SELECT outcome_word AS word, lead_us AS leadUs, receive_window AS window FROM downlink
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND outcome = 'refused' ORDER BY at_us DESC LIMIT ?`,
  ).all(gatewayId, window.fromUs, window.toUs, max) as RefusedRecord[];
}
