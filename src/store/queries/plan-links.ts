/** Which ways were heard in a window, and at which levels in the median? One row a life and gateway. */
import { GROUPING_WINDOW_US } from "../../ledger/clusters.ts";
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { columnsOf } from "./statement.ts";

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
const MOST_RECEPTIONS = 60_000;

/** Of the lives named only: a stranger can invent any number of others. */
export function wayHearings(
  store: Store,
  { fromUs, toUs }: TimeWindow,
  lifeIds: readonly number[],
): WayHearings[] {
  if (lifeIds.length === 0) return [];
  const [lives = [], gateways, rates, frequencies, snrs, rssis, signals] = columnsOf(
    store,
    ["life_id", "gateway_id", "data_rate", "frequency_hz", "snr_tenths", "rssi_tenths", "signal_rssi_tenths"],
    `FROM (SELECT f.life_id, r.gateway_id, f.data_rate, r.frequency_hz, r.snr_tenths, r.rssi_tenths,
             r.signal_rssi_tenths
           FROM frame f CROSS JOIN reception r ON r.frame_id = f.id
           WHERE f.life_id IN (${lifeIds.map(() => "?").join(",")}) AND f.at_us >= ? AND f.at_us < ?
             AND f.replay = 0 AND r.at_us < ?
           ORDER BY f.at_us DESC LIMIT ?)`,
    [...lifeIds, fromUs, toUs, toUs + GROUPING_WINDOW_US, MOST_RECEPTIONS],
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
