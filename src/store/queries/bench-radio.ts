/** What do one gateway's packets say of its radio and its counter? For the bench list. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

const PACKETS = "FROM reception WHERE at_us >= @from AND at_us < @to AND gateway_id = @id";

/** Counter and arrival of the newest packets, in the order in which they came. */
export function counterTrail(
  store: Store,
  gatewayId: number,
  window: TimeWindow,
  most = 5_000,
): { tmstUs: number; atUs: number }[] {
  return prepared(
    store,
    `SELECT tmstUs, atUs FROM (SELECT at_us + late_us AS arrivedUs, tmst_key AS tmstUs, at_us AS atUs ${PACKETS} AND tmst_key >= 0
       AND ghost = 0 ORDER BY at_us DESC LIMIT @most) ORDER BY arrivedUs, tmstUs`,
  ).all({ id: gatewayId, from: window.fromUs, to: window.toUs, most }) as { tmstUs: number; atUs: number }[];
}

/** Levels of the newest packets with a right CRC, strongest antenna's or not. */
export function newestLevels(
  store: Store,
  gatewayId: number,
  window: TimeWindow,
  most = 500,
): { rssiTenths: number | null; snrTenths: number | null }[] {
  return prepared(
    store,
    `SELECT rssi_tenths AS rssiTenths, snr_tenths AS snrTenths ${PACKETS} AND crc = 0 AND ghost = 0
     ORDER BY at_us DESC LIMIT @most`,
  ).all({ id: gatewayId, from: window.fromUs, to: window.toUs, most }) as {
    rssiTenths: number | null;
    snrTenths: number | null;
  }[];
}

export interface PacketCounts {
  readonly all: number;
  readonly crcBad: number;
  readonly ghosts: number;
}

export function packetCounts(store: Store, gatewayId: number, window: TimeWindow): PacketCounts {
  return prepared(
    store,
    `SELECT count(*) AS "all", count(*) FILTER (WHERE crc = 1 AND ghost = 0) AS crcBad,
            count(*) FILTER (WHERE ghost = 1) AS ghosts ${PACKETS}`,
  ).get({ id: gatewayId, from: window.fromUs, to: window.toUs }) as PacketCounts;
}

export interface WeakRecord {
  readonly frequencyHz: number;
  readonly dataRate: number;
  readonly rssiTenths: number;
  readonly snrTenths: number;
}

/** Newest packets at an SNR of 5 dB at most: those that tell the noise. */
export function weakPackets(store: Store, gatewayId: number, window: TimeWindow, most = 4_000): WeakRecord[] {
  return prepared(
    store,
    `SELECT frequency_hz AS frequencyHz, data_rate AS dataRate, rssi_tenths AS rssiTenths, snr_tenths AS snrTenths
     ${PACKETS} AND crc = 0 AND ghost = 0 AND snr_tenths <= 50 AND rssi_tenths IS NOT NULL
       AND frequency_hz IS NOT NULL ORDER BY at_us DESC LIMIT @most`,
  ).all({ id: gatewayId, from: window.fromUs, to: window.toUs, most }) as WeakRecord[];
}
