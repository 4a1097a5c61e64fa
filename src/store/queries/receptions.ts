/** Which receptions rest under a figure, newest first, page by page? And what is one frame, with its octets? */
import type { TimeRange } from "../../model/time-range.ts";
import type { CaptureFigures } from "../captures.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface ReceptionRecord {
  readonly id: number;
  readonly frameId: number | null;
  readonly atUs: number;
  readonly gatewayEui: string;
  readonly antenna: number;
  readonly devAddr: number | null;
  readonly life: number | null;
  readonly messageType: number | null;
  readonly counter: number | null;
  readonly fcnt: number | null;
  readonly port: number | null;
  readonly repeat: number | null;
  readonly ghost: number;
  readonly crc: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly codingRate: number;
  readonly rssiTenths: number | null;
  readonly signalRssiTenths: number | null;
  readonly snrTenths: number | null;
  readonly frequencyOffsetHz: number | null;
  readonly airtimeUs: number;
  readonly size: number | null;
}

const ROW = `
  SELECT r.id, r.frame_id AS frameId, r.at_us AS atUs, g.eui AS gatewayEui, r.antenna, f.dev_addr AS devAddr,
    l.number AS life, f.message_type AS messageType, f.counter, f.fcnt, f.port, f.repeat, r.ghost, r.crc,
    r.frequency_hz AS frequencyHz, r.data_rate AS dataRate, r.coding_rate AS codingRate,
    r.rssi_tenths AS rssiTenths, r.signal_rssi_tenths AS signalRssiTenths, r.snr_tenths AS snrTenths,
    r.frequency_offset_hz AS frequencyOffsetHz, coalesce(f.airtime_us, r.airtime_us) AS airtimeUs,
    length(r.payload) AS size
  FROM reception r JOIN gateway g ON g.id = r.gateway_id
    LEFT JOIN main.frame f ON f.id = r.frame_id LEFT JOIN main.life l ON l.id = f.life_id`;

/** Where a page begins: strictly before this reception in (time, id). */
export interface PageStart {
  readonly atUs: number;
  readonly id: number;
}

export interface ReceptionFilter {
  readonly window: TimeRange;
  readonly lifeId?: number | undefined;
  readonly gatewayEui?: string | undefined;
  readonly before: PageStart | null;
  readonly limit: number;
}

export function receptionPage(store: Store, filter: ReceptionFilter): ReceptionRecord[] {
  const { window, lifeId, gatewayEui, before, limit } = filter;
  const conditions = ["r.at_us >= @from", "r.at_us < @to", "(r.at_us, r.id) < (@beforeUs, @beforeId)"];
  if (gatewayEui !== undefined) {
    // The plus keeps the planner from collecting and sorting all that the gateway ever heard for one page.
    conditions.push("+r.gateway_id = (SELECT id FROM gateway WHERE eui = @gatewayEui)");
  }
  // A life's receptions are found through its frames, which may be few among very many.
  if (lifeId !== undefined)
    conditions.push(
      `r.frame_id IN (SELECT id FROM main.frame
         WHERE dev_addr = (SELECT dev_addr FROM main.life WHERE id = @lifeId) AND life_id = @lifeId)`,
    );
  const sql = `${ROW} WHERE ${conditions.join(" AND ")} ORDER BY r.at_us DESC, r.id DESC LIMIT @limit`;
  const values: Record<string, unknown> = {
    from: window.fromUs,
    to: window.toUs,
    beforeUs: before?.atUs ?? Number.MAX_SAFE_INTEGER,
    beforeId: before?.id ?? Number.MAX_SAFE_INTEGER,
    limit,
  };
  if (gatewayEui !== undefined) values.gatewayEui = gatewayEui;
  if (lifeId !== undefined) values.lifeId = lifeId;
  return prepared(store, sql).all(values) as ReceptionRecord[];
}

export function receptionsOfFrame(store: Store, frameId: number): ReceptionRecord[] {
  return prepared(store, `${ROW} WHERE r.frame_id = ? ORDER BY r.snr_tenths DESC, r.id`).all(
    frameId,
  ) as ReceptionRecord[];
}

/** Receptions with a higher id than one, in the order in which they were stored. */
export function receptionsAfter(store: Store, id: number, most: number): ReceptionRecord[] {
  return prepared(store, `${ROW} WHERE r.id > ? ORDER BY r.id LIMIT ?`).all(id, most) as ReceptionRecord[];
}

/** Identifiers of frames with a higher one than `id`, up to `upTo`, lowest first. */
export function frameIdsAfter(store: Store, id: number, upTo: number, most: number): number[] {
  return prepared(store, "SELECT id FROM frame WHERE id > ? AND id <= ? ORDER BY id LIMIT ?")
    .pluck()
    .all(id, upTo, most) as number[];
}

/** The highest identifier of a frame; 0: there is none. */
export function newestFrameId(store: Store): number {
  return (prepared(store, "SELECT max(id) FROM frame").pluck().get() as number | null) ?? 0;
}

export interface FrameOctets {
  readonly atUs: number;
  readonly payload: Uint8Array;
  readonly counter: number | null;
  /** 1 valid, 0 fits no key available, null: no key could say. */
  readonly micVerdict: number | null;
  readonly keyId: number | null;
}

export function frameOctets(store: Store, frameId: number): FrameOctets | null {
  const row = prepared(
    store,
    `SELECT f.at_us AS atUs, r.payload, f.counter, f.mic_verdict AS micVerdict, f.key_id AS keyId
     FROM main.frame f JOIN reception r ON r.frame_id = f.id
     WHERE f.id = ? AND r.payload IS NOT NULL ORDER BY r.id LIMIT 1`,
  ).get(frameId);
  return (row as FrameOctets | undefined) ?? null;
}

export function receptionCount(store: Store): number {
  // Receptions are never deleted, so the highest row id counts them, at once however many there are.
  return (prepared(store, "SELECT max(id) FROM reception").pluck().get() as number | null) ?? 0;
}

export interface CaptureRecord extends Omit<CaptureFigures, "answers"> {
  readonly id: number;
  readonly name: string;
  readonly size: number;
  readonly state: "reading" | "done" | "failed";
  readonly startedAtUs: number;
  readonly finishedAtUs: number | null;
  /** Datagrams of servers; null: read before they were counted. */
  readonly answers: number | null;
  readonly trouble: string | null;
}

export function captures(store: Store): CaptureRecord[] {
  return prepared(
    store,
    `SELECT id, name, size, state, started_at_us AS startedAtUs, finished_at_us AS finishedAtUs, from_us AS fromUs,
            to_us AS toUs, datagrams, receptions, known_already AS knownAlready, refused, answers, trouble
     FROM capture ORDER BY id DESC LIMIT 200`,
  ).all() as CaptureRecord[];
}

// What were a gateway's last datagrams, and what was in them?

export interface FeedRecord {
  readonly atUs: number;
  readonly digest: number;
  /** 0 push, 2 pull, 5 tx-ack; 16 more: a copy of one that had come. */
  readonly kind: number;
}

/** Newest first. */
export function newestDatagrams(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  most: number,
): FeedRecord[] {
  return prepared(
    store,
    `SELECT at_us AS atUs, digest, kind FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ?
     ORDER BY at_us DESC, digest LIMIT ?`,
  ).all(gatewayId, window.fromUs, window.toUs, most) as FeedRecord[];
}

export interface FeedPacket {
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly crc: number;
  readonly ghost: number;
  readonly rssiTenths: number | null;
  readonly snrTenths: number | null;
}

/** Packets that came at a moment. Those that the path held up are dated back and stand elsewhere. */
export function packetsAt(store: Store, gatewayId: number, atUs: number): FeedPacket[] {
  return prepared(
    store,
    `SELECT frequency_hz AS frequencyHz, data_rate AS dataRate, crc, ghost, rssi_tenths AS rssiTenths,
            snr_tenths AS snrTenths
     FROM reception WHERE at_us = ? AND gateway_id = ? ORDER BY id LIMIT 40`,
  ).all(atUs, gatewayId) as FeedPacket[];
}

export interface FeedReport {
  readonly rxReceived: number | null;
  readonly rxForwarded: number | null;
  readonly ackTenths: number | null;
}

export function reportAt(store: Store, gatewayId: number, atUs: number): FeedReport | null {
  const row = prepared(
    store,
    `SELECT rx_received AS rxReceived, rx_forwarded AS rxForwarded, ack_tenths_percent AS ackTenths
     FROM status_report WHERE gateway_id = ? AND at_us = ?`,
  ).get(gatewayId, atUs);
  return (row as FeedReport | undefined) ?? null;
}

export function outcomeAt(
  store: Store,
  gatewayId: number,
  atUs: number,
): { result: string; word: string | null } | null {
  const row = prepared(
    store,
    "SELECT result, word FROM transmit_outcome WHERE gateway_id = ? AND at_us = ? LIMIT 1",
  ).get(gatewayId, atUs);
  return (row as { result: string; word: string | null } | undefined) ?? null;
}
