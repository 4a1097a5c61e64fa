/** What the score of a site draws beside its views: levels of weak packets by time. */
import type { TimeRange } from "../../model/time-range.ts";
import type { NoiseReading } from "../../radio/noise.ts";
import type { Store } from "../open.ts";
import { columnsOf } from "./statement.ts";

export interface WeakReading extends NoiseReading {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  /** Its CRC was right: only such a packet tells of one channel's noise as the air takes it. */
  readonly isRight: boolean;
}

/** Packets with an SNR of `maxSnrDb` or less, by time. */
export function weakReadings(store: Store, { fromUs, toUs }: TimeRange, maxSnrDb: number): WeakReading[] {
  const [gateways = [], frequencies, times, rssis, snrs] = columnsOf(
    store,
    ["gateway_id * 4 + crc", "frequency_hz", "at_us - @from", "rssi_tenths", "snr_tenths"],
    `FROM reception INDEXED BY reception_by_time
     WHERE at_us >= @from AND at_us < @to AND ghost = 0 AND further = 0 AND frequency_hz IS NOT NULL
       AND rssi_tenths IS NOT NULL AND snr_tenths <= @max`,
    { from: fromUs, to: toUs, max: Math.round(maxSnrDb * 10) },
  );
  return gateways.map((code, i) => ({
    gatewayId: (code ?? 0) >> 2,
    isRight: ((code ?? 0) & 3) === 0,
    frequencyHz: frequencies?.[i] ?? 0,
    atUs: fromUs + (times?.[i] ?? 0),
    rssiDbm: (rssis?.[i] ?? 0) / 10,
    snrDb: (snrs?.[i] ?? 0) / 10,
  }));
}
