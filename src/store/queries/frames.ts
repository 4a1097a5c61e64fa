/** Which frames of nodes were heard in a window, and how did the best antenna hear each? */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

/** One uplink frame of a counter life with its best reception (best SNR, then RSSI); levels in tenths. */
export interface HeardFrame {
  readonly id: number;
  readonly lifeId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly repeat: 0 | 1;
  readonly dataRate: number;
  readonly airtimeUs: number;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
  readonly receptions: number;
  /** Distinct gateways that heard it. */
  readonly gateways: number;
}

// SQLite takes bare columns from the row of max(): "the bare columns take values from the input row which also
// contains the maximum" (sqlite.org/lang_select.html, section 2.4).
// Replays are left out: they are no transmission of the node, and their counters may lie far from the window's.
const FRAMES = `
  SELECT f.id, f.life_id AS lifeId, f.at_us AS atUs, f.counter, f.repeat, f.data_rate AS dataRate,
         f.airtime_us AS airtimeUs, r.snr_tenths AS snrTenths, r.rssi_tenths AS rssiTenths,
         count(*) AS receptions, count(DISTINCT r.gateway_id) AS gateways,
         max(coalesce(r.snr_tenths, -5000) * 10000 + coalesce(r.rssi_tenths, -5000)) AS best
  FROM frame f JOIN reception r ON r.frame_id = f.id
  WHERE f.at_us >= ? AND f.at_us < ? AND f.life_id IS NOT NULL AND f.replay = 0`;

/** All frames of the window, by life and time. */
export function framesInWindow(store: Store, window: TimeWindow): HeardFrame[] {
  const sql = `${FRAMES} GROUP BY f.id ORDER BY f.life_id, f.at_us, f.id`;
  return prepared(store, sql).all(window.fromUs, window.toUs) as HeardFrame[];
}

/** Those of one life. */
export function framesOfLife(store: Store, lifeId: number, window: TimeWindow): HeardFrame[] {
  const sql = `${FRAMES} AND f.life_id = ? GROUP BY f.id ORDER BY f.at_us, f.id`;
  return prepared(store, sql).all(window.fromUs, window.toUs, lifeId) as HeardFrame[];
}

/** One hearing of a life's frame by one antenna. */
export interface LifeReception {
  readonly gatewayId: number;
  readonly atUs: number;
  readonly counter: number;
  readonly dataRate: number;
  readonly snrTenths: number | null;
  readonly rssiTenths: number | null;
}

export function receptionsOfLife(store: Store, lifeId: number, window: TimeWindow): LifeReception[] {
  return prepared(
    store,
    `SELECT r.gateway_id AS gatewayId, r.at_us AS atUs, f.counter, f.data_rate AS dataRate,
            r.snr_tenths AS snrTenths, r.rssi_tenths AS rssiTenths
     FROM frame f JOIN reception r ON r.frame_id = f.id
     WHERE f.life_id = ? AND f.at_us >= ? AND f.at_us < ? AND f.replay = 0 ORDER BY r.gateway_id, r.at_us`,
  ).all(lifeId, window.fromUs, window.toUs) as LifeReception[];
}

/** Which gateways heard which lives in the window: pairs of row ids. */
export function gatewaysOfLives(store: Store, window: TimeWindow): { lifeId: number; gatewayId: number }[] {
  return prepared(
    store,
    `SELECT DISTINCT f.life_id AS lifeId, r.gateway_id AS gatewayId
     FROM frame f JOIN reception r ON r.frame_id = f.id
     WHERE f.at_us >= ? AND f.at_us < ? AND f.life_id IS NOT NULL`,
  ).all(window.fromUs, window.toUs) as { lifeId: number; gatewayId: number }[];
}
