/**
 * Which data rates does a name such as `SF7BW125` mean? The names that tables show (describeModulation), read back.
 */
import type { PlanDataRate } from "./region-plan.ts";

/** What a name may look like, for sentences. */
export const DATA_RATE_NAME_EXAMPLES = "SF7BW125, FSK 50 kb/s or M0CW137";

/** Kilohertz as people and forwarders write them: cut to one decimal, to whole kilohertz at 2.4 GHz, or exact. */
const LORA_BANDWIDTHS_HZ: ReadonlyMap<string, number> = new Map([
  // SX1276 data sheet, RegModemConfig1
  ["7.8", 7812.5],
  ["10.4", 10_416.67],
  ["15.6", 15_625],
  ["20.8", 20_833.33],
  ["31.2", 31_250],
  ["31.25", 31_250],
  ["41.6", 41_666.67],
  ["41.7", 41_666.67],
  ["62.5", 62_500],
  ["125", 125_000],
  ["250", 250_000],
  ["500", 500_000],
  // SX1280 data sheet: 1625 kHz divided by 8, 4, 2 and 1
  ["203", 203_125],
  ["203.1", 203_125],
  ["406", 406_250],
  ["406.2", 406_250],
  ["812", 812_500],
  ["812.5", 812_500],
  ["1625", 1_625_000],
]);

/** The data rate of a name, case and spaces of no matter; null when it names none. */
export function dataRateNamed(name: string): PlanDataRate | null {
  const text = name.replaceAll(" ", "").toUpperCase();
  const lora = /^SF(\d{1,2})BW([\d.]{1,7})$/.exec(text);
  if (lora !== null) {
    const sf = Number(lora[1]);
    const bwHz = LORA_BANDWIDTHS_HZ.get(lora[2] ?? "");
    return sf < 5 || sf > 12 || bwHz === undefined
      ? null
      : { modulation: "LORA", sf, bwHz, direction: "both" };
  }
  const fsk = /^FSK(\d{1,3}(?:\.\d{1,3})?)KB\/S$/.exec(text);
  if (fsk !== null) {
    const bitrate = Math.round(Number(fsk[1]) * 1000);
    return bitrate === 0 ? null : { modulation: "FSK", bitrate, direction: "both" };
  }
  const hopping = /^M\dCW(\d{2,4})$/.exec(text);
  if (hopping !== null) {
    const occupiedChannelWidthHz = Number(hopping[1]) * 1000;
    return { modulation: "LR-FHSS", codingRate: null, occupiedChannelWidthHz, direction: "up" };
  }
  return null;
}

/** One text for all names of a data rate: `SF7BW125` and ` sf7bw125` are the same. */
export function dataRateKey(rate: PlanDataRate): string {
  switch (rate.modulation) {
    case "LORA":
      return `lora/${rate.sf}/${rate.bwHz}`;
    case "FSK":
      return `fsk/${rate.bitrate}`;
    case "LR-FHSS":
      return `lr-fhss/${rate.occupiedChannelWidthHz}/${rate.codingRate ?? "any"}`;
  }
}
