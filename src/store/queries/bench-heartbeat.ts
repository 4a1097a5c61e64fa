/** Which datagrams came of one gateway, and what did its status reports say? For the bench list. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

/** 23 days of keepalives every 10 s. Beyond that the newest are read, and the check says since when. */
const MAX_KEEPALIVES = 200_000;
/** 17 days of reports every 30 s. */
const MAX_REPORTS = 50_000;

/** Rows of a window, the newest where there are too many. */
export interface Newest<T> {
  readonly rows: readonly T[];
  /** Begin of what was read, when older rows were left out; null: the whole window was read. */
  readonly sinceUs: number | null;
}

/** Keepalives of the window, oldest first. */
export function keepaliveTimesUs(
  store: Store,
  gatewayId: number,
  window: TimeWindow,
  max = MAX_KEEPALIVES,
): Newest<number> {
  const times = prepared(
    store,
    `SELECT at_us FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND kind = 2
     ORDER BY at_us DESC LIMIT ?`,
  )
    .pluck()
    .all(gatewayId, window.fromUs, window.toUs, max) as number[];
  times.reverse();
  return { rows: times, sinceUs: times.length < max ? null : (times[0] ?? null) };
}

export interface DatagramCounts {
  /** Copies left out. */
  readonly datagrams: number;
  readonly keepalives: number;
  readonly duplicates: number;
  readonly firstUs: number | null;
  readonly lastUs: number | null;
}

export function datagramCounts(store: Store, gatewayId: number, window: TimeWindow): DatagramCounts {
  return prepared(
    store,
    `SELECT count(*) FILTER (WHERE kind < 16) AS datagrams, count(*) FILTER (WHERE kind = 2) AS keepalives,
            count(*) FILTER (WHERE kind BETWEEN 16 AND 31) AS duplicates, min(at_us) AS firstUs, max(at_us) AS lastUs
     FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ?`,
  ).get(gatewayId, window.fromUs, window.toUs) as DatagramCounts;
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
  window: TimeWindow,
  max = MAX_REPORTS,
): Newest<ReportRecord> {
  const rows = prepared(
    store,
    `SELECT at_us AS atUs, clock_offset_us AS clockOffsetUs, rx_received AS rxReceived, rx_crc_ok AS rxCrcOk,
            rx_forwarded AS rxForwarded, ack_tenths_percent AS ackTenths,
            downlink_datagrams AS downlinkDatagrams, tx_emitted AS txEmitted
     FROM status_report WHERE gateway_id = ? AND at_us >= ? AND at_us < ? ORDER BY at_us DESC LIMIT ?`,
  ).all(gatewayId, window.fromUs, window.toUs, max) as ReportRecord[];
  rows.reverse();
  return { rows, sinceUs: rows.length < max ? null : (rows[0]?.atUs ?? null) };
}

/** Reasons for which datagrams of an address were refused without their gateway being known, from the samples kept. */
export function refusedFromAddress(
  store: Store,
  address: string,
  window: TimeWindow,
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
