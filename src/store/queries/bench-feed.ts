/** What were a gateway's last datagrams, and what was in them? */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

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
  window: TimeWindow,
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
