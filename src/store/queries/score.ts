/** What the score of a site draws beside its views: levels of weak packets by time. */
import type { TimeRange } from "../../model/time-range.ts";
import type { NoiseReading } from "../../radio/noise.ts";
import type { Store } from "../open.ts";
import { columnsOf } from "./statement.ts";

export interface WeakReading extends NoiseReading {
  readonly gatewayId: number;
  readonly frequencyHz: number;
}

/** Packets with an SNR of `maxSnrDb` or less, by time; only those with a right CRC, as the air takes them. */
export function weakReadings(store: Store, { fromUs, toUs }: TimeRange, maxSnrDb: number): WeakReading[] {
  const [gateways = [], frequencies, times, rssis, snrs] = columnsOf(
    store,
    ["gateway_id", "frequency_hz", "at_us", "rssi_tenths", "snr_tenths"],
    `FROM (SELECT gateway_id, frequency_hz, at_us, rssi_tenths, snr_tenths FROM reception INDEXED BY reception_by_time
       WHERE at_us >= ? AND at_us < ? AND ghost = 0 AND further = 0 AND frequency_hz IS NOT NULL
         AND rssi_tenths IS NOT NULL AND snr_tenths <= ? AND crc = 0
       ORDER BY at_us)`,
    [fromUs, toUs, Math.round(maxSnrDb * 10)],
  );
  return gateways.map((gatewayId, i) => ({
    gatewayId: gatewayId ?? 0,
    frequencyHz: frequencies?.[i] ?? 0,
    atUs: times?.[i] ?? 0,
    rssiDbm: (rssis?.[i] ?? 0) / 10,
    snrDb: (snrs?.[i] ?? 0) / 10,
  }));
}
