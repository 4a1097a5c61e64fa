/**
 * How long, and how much of an hour, may a transmitter be on the air at a frequency? An indication from public tables,
 * never a statement of conformity: local rules and newer editions prevail.
 */

import { megahertz, megahertzFigure } from "../../words/format.ts";
import { sourcesOf } from "./region-file.ts";
import { type PlanDataRate, type RegionPlan, regionPlan } from "./region-plan.ts";

/** To be shown beside every limit. */
export const LIMITS_CAUTION =
  "An indication from public tables, not a statement of conformity: local rules and newer editions prevail.";

export interface DutyCycleLimit {
  /** Share of an hour, 0 to 1; null when the sources name no duty cycle here. */
  readonly limit: number | null;
  /** Budgets are separate for each sub-band; null when none covers the frequency. */
  readonly subBand: string | null;
  readonly fromHz: number | null;
  readonly toHz: number | null;
  /** Largest radiated power there, mW ERP, where known. */
  readonly erpMw: number | null;
  /** A sentence: what holds and from where. */
  readonly text: string;
  readonly source: string;
}

interface EuropeanBand {
  readonly letter: string;
  readonly fromHz: number;
  readonly toHz: number;
  readonly limit: number;
  readonly erpMw: number;
  readonly source: string;
}

const MAC_AND_MEMORY = "LoRaMac-node region bands; ERP of EN 300 220-2 from memory";
const EN_300_220 = "EN 300 220-2 V3.2.1 p. 22 as quoted in LoRaMac-node pull request 750; ERP from memory";
const REC_70_03 = "ERC/REC 70-03 annex 10 (alarms)";

/** EN 300 220-2 V3.2.1 annex B and ERC/REC 70-03, 863 to 870 MHz. K and N are separate budgets. */
export const EU868_BANDS: readonly EuropeanBand[] = [
  { letter: "K", fromHz: 863.0e6, toHz: 865.0e6, limit: 0.001, erpMw: 25, source: EN_300_220 },
  { letter: "L", fromHz: 865.0e6, toHz: 868.0e6, limit: 0.01, erpMw: 25, source: MAC_AND_MEMORY },
  { letter: "M", fromHz: 868.0e6, toHz: 868.6e6, limit: 0.01, erpMw: 25, source: MAC_AND_MEMORY },
  { letter: "alarm", fromHz: 868.6e6, toHz: 868.7e6, limit: 0.01, erpMw: 10, source: REC_70_03 },
  { letter: "N", fromHz: 868.7e6, toHz: 869.2e6, limit: 0.001, erpMw: 25, source: EN_300_220 },
  { letter: "social alarm", fromHz: 869.2e6, toHz: 869.25e6, limit: 0.001, erpMw: 10, source: REC_70_03 },
  { letter: "alarm", fromHz: 869.25e6, toHz: 869.3e6, limit: 0.001, erpMw: 10, source: REC_70_03 },
  { letter: "alarm", fromHz: 869.3e6, toHz: 869.4e6, limit: 0.01, erpMw: 10, source: REC_70_03 },
  { letter: "P", fromHz: 869.4e6, toHz: 869.65e6, limit: 0.1, erpMw: 500, source: MAC_AND_MEMORY },
  { letter: "alarm", fromHz: 869.65e6, toHz: 869.7e6, limit: 0.1, erpMw: 25, source: REC_70_03 },
  { letter: "Q", fromHz: 869.7e6, toHz: 870.0e6, limit: 0.01, erpMw: 25, source: MAC_AND_MEMORY },
];

/** Duty-cycle limit at a frequency; null for an unknown region or a user's own plan, which names none. Bands are half open, the last one closed. */
export function dutyCycleLimitFor(frequencyHz: number, region: RegionPlan | string): DutyCycleLimit | null {
  const plan = typeof region === "string" ? regionPlan(region) : region;
  if (plan === null || plan.record === null) {
    return null;
  }
  if (plan.name === "EU868") {
    const band = EU868_BANDS.find((b) => covers(b, frequencyHz, plan.toHz));
    if (band !== undefined) {
      return limitOf(band, band.letter, band.erpMw, band.source);
    }
  }
  const { dutyCycle } = plan.record;
  const source = sourcesOf(plan.record, "dutyCycle");
  const band = dutyCycle.bands.find((b) => covers(b, frequencyHz, plan.toHz));
  if (band !== undefined) {
    const flagged = plan.record.conflicts?.some((c) => c.what === "duty cycle") === true;
    const label = `${megahertzFigure(band.fromHz)}–${megahertz(band.toHz)}`;
    return limitOf(band, label, null, flagged ? `${source} (sources disagree)` : source);
  }
  return {
    limit: null,
    subBand: null,
    fromHz: null,
    toHz: null,
    erpMw: null,
    text: `The sources name no duty cycle for ${megahertz(frequencyHz)} in ${plan.plan}; regime: ${dutyCycle.regime}.`,
    source,
  };
}

function covers(
  band: { readonly fromHz: number; readonly toHz: number },
  frequencyHz: number,
  endHz: number,
): boolean {
  return (
    frequencyHz >= band.fromHz &&
    (frequencyHz < band.toHz || (frequencyHz === band.toHz && band.toHz === endHz))
  );
}

function limitOf(
  band: { readonly fromHz: number; readonly toHz: number; readonly limit: number },
  subBand: string,
  erpMw: number | null,
  source: string,
): DutyCycleLimit {
  const range = `${megahertzFigure(band.fromHz)} to ${megahertz(band.toHz)}`;
  const percent = `${Math.round(band.limit * 10_000) / 100} %`;
  return {
    limit: band.limit,
    subBand,
    fromHz: band.fromHz,
    toHz: band.toHz,
    erpMw,
    text: `At most ${percent} of an hour for one transmitter from ${range}.`,
    source,
  };
}

export interface DwellLimit {
  /** Longest uplink frame, milliseconds; null when none. */
  readonly uplinkMs: number | null;
  readonly downlinkMs: number | null;
  readonly text: string;
  readonly source: string;
}

/** Longest single frame in a region for a LoRa bandwidth; null for an unknown region or a user's own plan. */
export function dwellLimitFor(region: RegionPlan | string, bandwidthHz: number): DwellLimit | null {
  const plan = typeof region === "string" ? regionPlan(region) : region;
  if (plan === null || plan.record === null) {
    return null;
  }
  const { dwellTime } = plan.record;
  if (plan.name === "US915") {
    // 47 CFR 15.247 (a)(1)(i): 0.4 s average occupancy on one hopping frequency; (a)(2): 500 kHz is digital modulation
    const source =
      "47 CFR 15.247 (a)(1)(i); LoRaWAN Regional Parameters keep 125 kHz frames to 400 ms (from memory)";
    return bandwidthHz < 500_000
      ? {
          uplinkMs: 400,
          downlinkMs: null,
          text: "At most 400 ms on one hopping frequency in 20 s.",
          source,
        }
      : { uplinkMs: null, downlinkMs: null, text: "No dwell limit at 500 kHz.", source };
  }
  const { uplinkMs } = dwellTime;
  const lifted = dwellTime.txParamSetup === true ? ", unless the network lifts it with TXParamSetupReq" : "";
  const doubt = dwellTime.note?.includes("memory") === true ? " (from memory)" : "";
  return {
    uplinkMs,
    downlinkMs: dwellTime.downlinkMs,
    text:
      uplinkMs === null
        ? "No dwell limit in the sources."
        : `At most ${uplinkMs} ms for one uplink frame${lifted}${doubt}.`,
    source: sourcesOf(plan.record, "dwellTime"),
  };
}

/** The most that a region's parameters let a node send, dBm EIRP; null for an unknown region or a user's own plan. LoRaWAN Regional Parameters as public implementations carry them. */
export function mostEirpDbm(region: string): number | null {
  return regionPlan(region)?.record?.power.maxEirpDbm ?? null;
}

// Which data rates does a name such as `SF7BW125` mean? The names that tables show (describeModulation), read back.

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
