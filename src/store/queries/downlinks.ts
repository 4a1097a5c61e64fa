/**
 * What is stored of the downlink path: packets handed out for sending, what came of them, round trips to the server, and
 * join-requests with what was handed out for each?
 */
import { minuteOf, type TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { OF_LIFE, prepared } from "./statement.ts";

export interface DownlinkRecord {
  readonly id: number;
  /** 0: nobody's that is known. */
  readonly gatewayId: number;
  readonly atUs: number;
  readonly moment: string | null;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly codingRate: number;
  readonly powerTenths: number | null;
  readonly airtimeUs: number;
  readonly messageType: number | null;
  readonly devAddr: number | null;
  readonly frameControl: number | null;
  readonly fcnt: number | null;
  readonly uplinkTmstUs: number | null;
  readonly delayUs: number | null;
  readonly window: string | null;
  readonly leadUs: number | null;
  readonly outcome: string | null;
  readonly word: string | null;
  readonly outcomeAtUs: number | null;
  readonly sentPowerTenths: number | null;
  readonly payload: Uint8Array;
}

const COLUMNS = `id, gateway_id AS gatewayId, at_us AS atUs, moment, frequency_hz AS frequencyHz,
  coalesce(data_rate, 0) AS dataRate, coalesce(coding_rate, 0) AS codingRate, power_tenths AS powerTenths,
  airtime_us AS airtimeUs, message_type AS messageType, dev_addr AS devAddr, frame_control AS frameControl, fcnt,
  uplink_tmst_us AS uplinkTmstUs, delay_us AS delayUs, receive_window AS window, lead_us AS leadUs, outcome,
  outcome_word AS word, outcome_at_us AS outcomeAtUs, sent_power_tenths AS sentPowerTenths, payload`;

/** Of one gateway, newest first. */
export function downlinksOfGateway(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  most: number,
): DownlinkRecord[] {
  return prepared(
    store,
    `SELECT ${COLUMNS} FROM downlink WHERE gateway_id = ? AND at_us >= ? AND at_us < ?
     ORDER BY at_us DESC, id DESC LIMIT ?`,
  ).all(gatewayId, window.fromUs, window.toUs, most) as DownlinkRecord[];
}

export interface DownlinkTotals {
  readonly asked: number;
  readonly refused: number;
}

/** How many packets a gateway was asked to send, and refused, over the window. */
export function downlinkTotals(store: Store, gatewayId: number, window: TimeRange): DownlinkTotals {
  return prepared(
    store,
    `SELECT count(*) AS asked, count(*) FILTER (WHERE outcome = 'refused') AS refused FROM downlink
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ?`,
  ).get(gatewayId, window.fromUs, window.toUs) as DownlinkTotals;
}

/** To one device address, newest first. */
export function downlinksToAddress(
  store: Store,
  devAddr: number,
  window: TimeRange,
  most: number,
): DownlinkRecord[] {
  return prepared(
    store,
    `SELECT ${COLUMNS} FROM downlink WHERE dev_addr = ? AND at_us >= ? AND at_us < ?
     ORDER BY at_us DESC, id DESC LIMIT ?`,
  ).all(devAddr, window.fromUs, window.toUs, most) as DownlinkRecord[];
}

/** All of them, newest first. */
export function downlinksOf(store: Store, window: TimeRange, most: number): DownlinkRecord[] {
  return prepared(
    store,
    `SELECT ${COLUMNS} FROM downlink WHERE at_us >= ? AND at_us < ? ORDER BY at_us DESC, id DESC LIMIT ?`,
  ).all(window.fromUs, window.toUs, most) as DownlinkRecord[];
}

export interface GatewayTransmission {
  /** On the capturing clock; where the moment is not known, when it was asked for. */
  readonly startUs: number;
  readonly airtimeUs: number;
  readonly frequencyHz: number | null;
  /** Its TX_ACK says that it took the packet for sending. */
  readonly isConfirmed: boolean;
}

/** What a gateway may have sent: all that it did not refuse, in order of time. */
export function gatewayTransmissions(
  store: Store,
  gatewayId: number,
  window: TimeRange,
): GatewayTransmission[] {
  const rows = prepared(
    store,
    `SELECT at_us + coalesce(lead_us, 0) AS startUs, airtime_us AS airtimeUs, frequency_hz AS frequencyHz,
            coalesce(outcome IN ('accepted', 'accepted-lower-power'), 0) AS confirmed
     FROM downlink WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND airtime_us > 0
       AND (outcome IS NULL OR outcome <> 'refused') ORDER BY 1`,
  ).all(gatewayId, window.fromUs, window.toUs) as (Omit<GatewayTransmission, "isConfirmed"> & {
    confirmed: number;
  })[];
  return rows.map(({ confirmed, ...row }) => ({ ...row, isConfirmed: confirmed === 1 }));
}

/** When a gateway called (PULL_DATA) last, microseconds since 1970; null: never. */
export function lastPullUs(store: Store, gatewayId: number): number | null {
  return (prepared(
    store,
    "SELECT at_us FROM datagram WHERE gateway_id = ? AND kind IN (2, 18) ORDER BY at_us DESC LIMIT 1",
  )
    .pluck()
    .get(gatewayId) ?? null) as number | null;
}

export interface RoundTripCount {
  /** 0 PUSH_DATA, 2 PULL_DATA. */
  readonly kind: number;
  /** See src/ledger/downlink-timing.ts. */
  readonly class: number;
  readonly count: number;
}

/** Minutes that touch the window, whole. */
export function roundTrips(store: Store, gatewayId: number, window: TimeRange): RoundTripCount[] {
  return prepared(
    store,
    `SELECT kind, class, sum(count) AS count FROM round_trip_minute
     WHERE gateway_id = ? AND minute >= ? AND minute < ? GROUP BY kind, class`,
  ).all(gatewayId, minuteOf(window.fromUs), minuteOf(window.toUs - 1) + 1) as RoundTripCount[];
}

/** The newest minutes in which this gateway asked, and in which it was answered; null: in none. */
export function newestRoundTrips(
  store: Store,
  gatewayId: number,
  window: TimeRange,
): { askedMinute: number | null; answeredMinute: number | null } {
  return prepared(
    store,
    `SELECT max(minute) FILTER (WHERE class < 0) AS askedMinute,
            max(minute) FILTER (WHERE class >= 0) AS answeredMinute
     FROM round_trip_minute WHERE gateway_id = ? AND minute >= ? AND minute < ?`,
  ).get(gatewayId, minuteOf(window.fromUs), minuteOf(window.toUs - 1) + 1) as {
    askedMinute: number | null;
    answeredMinute: number | null;
  };
}

/** Whether anything of a server passed here within the window: without it, a missing answer means nothing. */
export function serverSeen(store: Store, window: TimeRange): boolean {
  const from = minuteOf(window.fromUs);
  const to = minuteOf(window.toUs - 1) + 1;
  const row = prepared(
    store,
    `SELECT EXISTS (SELECT 1 FROM downlink WHERE at_us >= ? AND at_us < ?)
         OR EXISTS (SELECT 1 FROM gateway g JOIN round_trip_minute m ON m.gateway_id = g.id
                    WHERE m.minute >= ? AND m.minute < ? AND (m.class >= 0 OR m.class = -1))`,
  ).pluck();
  return row.get(window.fromUs, window.toUs, from, to) === 1;
}

export interface JoinRecord {
  readonly atUs: number;
  /** The accept that a receive window of this request awaited; nulls without one. */
  readonly outcome: string | null;
  readonly word: string | null;
  readonly leadUs: number | null;
  readonly accepted: number;
}

/** Join-requests of a device, newest first, with the join-accept that was handed out for each. */
export function joinsOfDevice(store: Store, devEui: string, window: TimeRange, most: number): JoinRecord[] {
  return prepared(
    store,
    `SELECT f.at_us AS atUs, d.outcome, d.outcome_word AS word, d.lead_us AS leadUs, d.id IS NOT NULL AS accepted
     FROM frame f LEFT JOIN main.downlink d ON d.id = (
       SELECT a.id FROM reception r JOIN downlink a ON a.gateway_id = r.gateway_id
         AND a.at_us BETWEEN r.at_us - 1000000 AND r.at_us + 8000000
         AND a.message_type = 1 AND a.uplink_tmst_us = r.tmst_key
       WHERE r.frame_id = f.id ORDER BY a.outcome = 'refused', a.at_us LIMIT 1)
     WHERE f.message_type = 0 AND f.dev_eui = ? AND f.at_us >= ? AND f.at_us < ?
     ORDER BY f.at_us DESC LIMIT ?`,
  ).all(devEui, window.fromUs, window.toUs, most) as JoinRecord[];
}

export interface ConfirmedRecord {
  readonly atUs: number;
  /** The last transmission of the counter. */
  readonly lastAtUs: number;
  readonly counter: number;
  readonly frames: number;
}

/** Counters sent as confirmed uplinks in a life, newest first. */
export function confirmedUplinks(
  store: Store,
  lifeId: number,
  window: TimeRange,
  most: number,
): ConfirmedRecord[] {
  return prepared(
    store,
    `SELECT min(at_us) AS atUs, max(at_us) AS lastAtUs, counter, count(*) AS frames FROM frame
     WHERE ${OF_LIFE} AND at_us >= ? AND at_us < ? AND message_type = 4 AND counter IS NOT NULL
     GROUP BY counter ORDER BY 1 DESC LIMIT ?`,
  ).all(lifeId, lifeId, window.fromUs, window.toUs, most) as ConfirmedRecord[];
}

export interface JoinRequestRecord {
  readonly devEui: string;
  readonly atUs: number;
  /** As its first antenna heard it. */
  readonly payload: Uint8Array | null;
  /** 1: a join-accept was handed to a gateway for one of its receive windows. */
  readonly isAnswered: 0 | 1;
  /** The gateway's TX_ACK to that accept and its word; nulls without one. */
  readonly outcome: string | null;
  readonly word: string | null;
  /** From the accept's passing to the moment of sending, microseconds. */
  readonly leadUs: number | null;
}

/**
 * Join-requests of the window, newest first, at most `max`. An accept belongs to a request when the gateway that heard it was
 * asked to send at one of its receive windows (the same counter), refused ones last.
 */
export function joinRequests(store: Store, { fromUs, toUs }: TimeRange, max: number): JoinRequestRecord[] {
  return prepared(
    store,
    `SELECT f.dev_eui AS devEui, f.at_us AS atUs, d.id IS NOT NULL AS isAnswered, d.outcome, d.outcome_word AS word,
            d.lead_us AS leadUs,
            (SELECT payload FROM reception WHERE frame_id = f.id ORDER BY at_us, gateway_id LIMIT 1) AS payload
     FROM frame f INDEXED BY frame_join LEFT JOIN main.downlink d ON d.id = (
       SELECT a.id FROM reception r JOIN downlink a ON a.gateway_id = r.gateway_id
         AND a.at_us BETWEEN r.at_us - 1000000 AND r.at_us + 8000000
         AND a.message_type = 1 AND a.uplink_tmst_us = r.tmst_key
       WHERE r.frame_id = f.id ORDER BY a.outcome = 'refused', a.at_us LIMIT 1)
     WHERE f.message_type = 0 AND f.dev_eui IS NOT NULL AND f.at_us >= ? AND f.at_us < ?
     ORDER BY f.at_us DESC LIMIT ?`,
  ).all(fromUs, toUs, max) as JoinRequestRecord[];
}

/** The newest life that is known to be this device's and that was heard in this time; null: none is. */
export function newestLifeOf(
  store: Store,
  devEui: string,
  fromUs: number,
  toUs: number,
): { readonly devAddr: number; readonly life: number } | null {
  const row = prepared(
    store,
    `SELECT dev_addr AS devAddr, number AS life FROM life
     WHERE dev_eui = ? AND last_at_us >= ? AND first_at_us < ? ORDER BY first_at_us DESC LIMIT 1`,
  ).get(devEui, fromUs, toUs);
  return (row as { devAddr: number; life: number } | undefined) ?? null;
}
