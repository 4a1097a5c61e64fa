/** What the score of a site draws beside its views: levels of weak packets by time. */
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
