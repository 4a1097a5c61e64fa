/** How much did each gateway hear of each node on each channel, and how weak was the weakest? For standing conditions. */
import { formatDevAddr } from "../../model/identifiers.ts";
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface ChannelFrames {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  /** "01A2B3C4/1": address and life. */
  readonly node: string;
  readonly frames: number;
}

/** Packets of known nodes by gateway, channel and node; ghosts and secondary antennas are left out. */
export function framesByChannel(store: Store, { fromUs, toUs }: TimeWindow): ChannelFrames[] {
  const rows = prepared(
    store,
    `SELECT r.gateway_id AS gatewayId, r.frequency_hz AS frequencyHz, l.dev_addr AS devAddr, l.number AS life,
            count(*) AS frames
     FROM reception r INDEXED BY reception_by_time JOIN frame f ON f.id = r.frame_id JOIN life l ON l.id = f.life_id
     WHERE r.at_us >= ? AND r.at_us < ? AND r.ghost = 0 AND r.further = 0 AND r.frequency_hz IS NOT NULL
     GROUP BY 1, 2, l.id`,
  ).all(fromUs, toUs) as (Omit<ChannelFrames, "node"> & { devAddr: number; life: number })[];
  return rows.map(({ gatewayId, frequencyHz, devAddr, life, frames }) => ({
    gatewayId,
    frequencyHz,
    node: `${formatDevAddr(devAddr)}/${life}`,
    frames,
  }));
}

export interface ChannelLevel {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  readonly rssiDbm: number;
  readonly snrDb: number;
  readonly frames: number;
}

/** Levels of the packets with an SNR of `maxSnrDb` or less, equal ones counted together. */
export function weakLevelsByChannel(
  store: Store,
  { fromUs, toUs }: TimeWindow,
  maxSnrDb: number,
): ChannelLevel[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, rssi_tenths / 10.0 AS rssiDbm,
            snr_tenths / 10.0 AS snrDb, count(*) AS frames
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= ? AND at_us < ? AND ghost = 0 AND further = 0 AND frequency_hz IS NOT NULL
       AND rssi_tenths IS NOT NULL AND snr_tenths <= ?
     GROUP BY 1, 2, 3, 4`,
  ).all(fromUs, toUs, Math.round(maxSnrDb * 10)) as ChannelLevel[];
}
