/**
 * How is a modulation kept in a small integer? So that an index or a GROUP BY can use it.
 *   LoRa     spreading factor × 10,000,000 + bandwidth in Hz, rounded (SF9 at 125 kHz: 90125000)
 *   FSK      minus the bit rate (-50000)
 *   LR-FHSS  1,000,000,000 + type × 10,000,000 + operating width in Hz
 *   unknown  0
 */
import { CODING_RATES, type CodingRate, type Modulation } from "../model/modulation.ts";

/** By code; 0: none. */
const CODED_RATES: readonly (CodingRate | null)[] = [null, ...CODING_RATES];

// Bandwidths that are no whole number of Hz; SX1276 data sheet, RegModemConfig1 table.
const FRACTIONAL_BANDWIDTHS: ReadonlyMap<number, number> = new Map([
  [7813, 7812.5],
  [10417, 10416.67],
  [20833, 20833.33],
  [41667, 41666.67],
]);

export function dataRateCode(modulation: Modulation): number {
  switch (modulation.kind) {
    case "lora":
      return modulation.spreadingFactor * 10_000_000 + Math.round(modulation.bandwidthHz);
    case "fsk":
      return -Math.round(modulation.bitrateBps);
    case "lr-fhss":
      return 1_000_000_000 + modulation.type * 10_000_000 + Math.round(modulation.operatingWidthHz);
    case "unknown":
      return 0;
  }
}

export function codingRateCode(modulation: Modulation): number {
  if (modulation.kind !== "lora" && modulation.kind !== "lr-fhss") return 0;
  return Math.max(0, CODED_RATES.indexOf(modulation.codingRate));
}

/** The modulation behind the two codes; the text of an unknown one is not kept. */
export function modulationFromCodes(dataRate: number, codingRate: number): Modulation {
  if (dataRate < 0) return { kind: "fsk", bitrateBps: -dataRate };
  if (dataRate === 0) return { kind: "unknown", text: "" };
  const coding = CODED_RATES[codingRate] ?? null;
  if (dataRate >= 1_000_000_000) {
    const rest = dataRate - 1_000_000_000;
    return {
      kind: "lr-fhss",
      type: Math.floor(rest / 10_000_000),
      operatingWidthHz: rest % 10_000_000,
      codingRate: coding,
    };
  }
  const rounded = dataRate % 10_000_000;
  return {
    kind: "lora",
    spreadingFactor: Math.floor(dataRate / 10_000_000),
    bandwidthHz: FRACTIONAL_BANDWIDTHS.get(rounded) ?? rounded,
    codingRate: coding,
  };
}
