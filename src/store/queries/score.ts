/** What the score of a site draws: levels of weak packets by time, and mean levels of nodes in bins. */
import type { TimeRange } from "../../model/time-range.ts";
import type { NoiseReading } from "../../radio/noise.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface WeakReading extends NoiseReading {
  readonly gatewayId: number;
  readonly frequencyHz: number;
}

/** Packets with an SNR of `maxSnrDb` or less, by time; only those with a right CRC, as the air takes them. */
export function weakReadings(store: Store, { fromUs, toUs }: TimeRange, maxSnrDb: number): WeakReading[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, at_us AS atUs, rssi_tenths / 10.0 AS rssiDbm,
            snr_tenths / 10.0 AS snrDb
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= ? AND at_us < ? AND ghost = 0 AND further = 0 AND frequency_hz IS NOT NULL
       AND rssi_tenths IS NOT NULL AND snr_tenths <= ? AND crc = 0
     ORDER BY at_us`,
  ).all(fromUs, toUs, Math.round(maxSnrDb * 10)) as WeakReading[];
}

export interface BinnedLevel {
  readonly lifeId: number;
  readonly bin: number;
  readonly dataRate: number;
  /** Mean over the frames of the bin, each at its best gateway. */
  readonly snrTenths: number;
  readonly frames: number;
}

/** Mean SNR of lives in bins of `binUs` from `fromUs` on, by data rate. */
export function binnedLevels(
  store: Store,
  lifeIds: readonly number[],
  { fromUs, toUs }: TimeRange,
  binUs: number,
): BinnedLevel[] {
  return prepared(
    store,
    `SELECT lifeId, bin, dataRate, avg(snr) AS snrTenths, count(*) AS frames FROM (
       SELECT f.life_id AS lifeId, CAST((f.at_us - ?) / ? AS INTEGER) AS bin, f.data_rate AS dataRate, max(r.snr_tenths) AS snr
       FROM main.frame f JOIN reception r ON r.frame_id = f.id
       WHERE f.life_id IN (SELECT value FROM json_each(?)) AND f.at_us >= ? AND f.at_us < ? AND f.replay = 0
         AND r.ghost = 0 AND r.snr_tenths IS NOT NULL
       GROUP BY f.id)
     GROUP BY 1, 2, 3`,
  ).all(fromUs, Math.round(binUs), JSON.stringify(lifeIds), fromUs, toUs) as BinnedLevel[];
}
