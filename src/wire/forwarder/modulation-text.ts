/**
 * Which modulation do `modu`, `datr` and `codr` name, and how is one written? Only what the forwarder
 * reported: what cannot be read is kept as text and gets no airtime.
 * Source: PROTOCOL.TXT section 4 (rxpk) and 6 (txpk); labels of the 2.4 GHz daemon and of small daemons.
 */
import { CODING_RATES, type CodingRate, type Modulation } from "../../model/modulation.ts";
import { cutText, fieldText, fieldType, type JsonObject, type OddityLog } from "./fields.ts";

/** The label a forwarder prints, and the bandwidth in Hz that it means. The first label of a bandwidth is written. */
const bandwidthLabels: readonly (readonly [label: string, hz: number])[] = [
  ["125", 125_000],
  ["250", 250_000],
  ["500", 500_000],
  // SX1276 data sheet, RegModemConfig1: the radio's bandwidths are 500 kHz and 32 MHz divisions of it;
  // the labels are cut to one decimal.
  ["7.8", 7812.5],
  ["10.4", 10_416.67],
  ["15.6", 15_625],
  ["20.8", 20_833.33],
  ["31.2", 31_250],
  ["41.7", 41_666.67],
  ["62.5", 62_500],
  // SX1280 data sheet: 2.4 GHz bandwidths are 1625 kHz divided by 1, 2, 4 and 8; labels are cut to whole kHz.
  ["203", 203_125],
  ["406", 406_250],
  ["812", 812_500],
  ["1625", 1_625_000],
  // The 2.4 GHz daemon also takes these for downlinks.
  ["800", 812_500],
  ["1600", 1_625_000],
  // The exact figures, as encoders that do not cut would print them.
  ["31.25", 31_250],
  ["203.125", 203_125],
  ["406.25", 406_250],
  ["812.5", 812_500],
];
const bandwidthOfLabel = new Map(bandwidthLabels);
const labelOfBandwidth = new Map<number, string>();
for (const [label, hz] of bandwidthLabels) if (!labelOfBandwidth.has(hz)) labelOfBandwidth.set(hz, label);

const codingRates: ReadonlySet<string> = new Set(CODING_RATES);

/**
 * Bit rates that are taken. Chosen: from 1 bit/s on an airtime is a number that can be stored (5e-324 gives an endless one);
 * concentrators send 500 to 250,000 bit/s (loragw_hal.h, from memory).
 */
const MIN_FSK_BPS = 1;
const MAX_FSK_BPS = 10_000_000;

/** Longest modulation text that is kept. */
const textLimit = 64;

/** Reads `modu`, `datr` and `codr` of an rxpk or txpk object. Notes `modu`, `datr`, `codr`. */
export function readModulation(object: JsonObject, log: OddityLog): Modulation {
  const { modu, datr } = object;
  const name = typeof modu === "string" ? modu.toUpperCase() : "";
  switch (name) {
    case "LORA": {
      const rate = typeof datr === "string" ? parseLoraRate(datr) : null;
      if (rate === null) break;
      return { kind: "lora", ...rate, codingRate: readCodingRate(object, log) };
    }
    case "FSK":
      // Since revision 1.2 a number in bit/s; a string beside FSK is kept as text.
      if (typeof datr !== "number" || !(datr >= MIN_FSK_BPS && datr <= MAX_FSK_BPS)) break;
      return { kind: "fsk", bitrateBps: datr };
    case "LR-FHSS": {
      const rate = typeof datr === "string" ? parseLrFhssRate(datr) : null;
      if (rate === null) break;
      return {
        kind: "lr-fhss",
        ...rate,
        codingRate: readCodingRate(object, log),
      };
    }
    default:
      log.note("modu", true, typeof modu === "string" ? modu : `modu is ${fieldType(modu)}`);
      return { kind: "unknown", text: joinText(modu, datr) };
  }
  // A text of the right type that names no known rate is common; a wrong type is worth a look.
  const isRightType = name === "FSK" ? typeof datr === "number" : typeof datr === "string";
  log.note("datr", !isRightType, `${name} ${fieldText(datr)}`);
  return { kind: "unknown", text: joinText(modu, datr) };
}

/** `SF9BW125` in any case and with the labels of `bandwidthLabels`; null for anything else. */
function parseLoraRate(text: string): { spreadingFactor: number; bandwidthHz: number } | null {
  const match = /^SF(\d{1,2})BW(\d{1,4}(?:\.\d{1,3})?)$/i.exec(text);
  if (match === null) return null;
  const spreadingFactor = Number(match[1]);
  const bandwidthHz = bandwidthOfLabel.get(match[2] ?? "");
  if (bandwidthHz === undefined || spreadingFactor < 5 || spreadingFactor > 12) return null;
  return { spreadingFactor, bandwidthHz };
}

/** `M0CW137`: modulation type 0 in a channel 137 kHz wide. From memory: no public text of this extension was found. */
function parseLrFhssRate(text: string): { type: number; operatingWidthHz: number } | null {
  const match = /^M(\d{1,2})CW(\d{1,4})$/i.exec(text);
  if (match === null) return null;
  return { type: Number(match[1]), operatingWidthHz: Number(match[2]) * 1000 };
}

function readCodingRate(object: JsonObject, log: OddityLog): CodingRate | null {
  const { codr } = object;
  if (typeof codr === "string") {
    // `OFF` is coding rate 0, in practice a false detection: kept, and counted.
    if (codr === "OFF") log.note("codr", false, codr);
    if (isCodingRate(codr)) return codr;
    // The 2.4 GHz daemon V1.0.x printed 4/7LI for the register value that V1.1.0 prints as 4/8LI.
    if (codr === "4/7LI") return "4/8LI";
  }
  log.note("codr", false, typeof codr === "string" ? codr : `codr is ${fieldType(codr)}`);
  return null;
}

function isCodingRate(text: string): text is CodingRate {
  return codingRates.has(text);
}

function joinText(modu: unknown, datr: unknown): string {
  const parts = [modu, datr].filter((part) => typeof part === "string" || typeof part === "number");
  return cutText(parts.join(" ").trim(), textLimit);
}

/** The `modu`, `datr` and `codr` keys that a forwarder writes for a modulation, in that order, each with its comma. */
export function writeModulation(modulation: Modulation): string {
  switch (modulation.kind) {
    case "lora":
      return `,"modu":"LORA","datr":"SF${modulation.spreadingFactor}BW${bandwidthLabel(modulation.bandwidthHz)}"${writeCodingRate(modulation.codingRate)}`;
    case "fsk":
      return `,"modu":"FSK","datr":${modulation.bitrateBps}`;
    case "lr-fhss":
      return `,"modu":"LR-FHSS","datr":"M${modulation.type}CW${Math.round(modulation.operatingWidthHz / 1000)}"${writeCodingRate(modulation.codingRate)}`;
    case "unknown":
      return modulation.text === "" ? "" : `,"datr":${JSON.stringify(modulation.text)}`;
  }
}

function writeCodingRate(codingRate: CodingRate | null): string {
  return codingRate === null ? "" : `,"codr":"${codingRate}"`;
}

/** The label in kHz: 125, 62.5, 812 …; the plain quotient for a bandwidth that no forwarder knows. */
function bandwidthLabel(bandwidthHz: number): string {
  return labelOfBandwidth.get(bandwidthHz) ?? String(bandwidthHz / 1000);
}
