/**
 * How long was the packet on the air that a gateway heard? From modulation and size alone; the formulas are in
 * lora-airtime.ts, fsk-airtime.ts and lr-fhss-airtime.ts.
 */
import type { Crc } from "../model/datagram.ts";
import type { CodingRate, Modulation } from "../model/modulation.ts";
import {
  isLora2g4Bandwidth,
  longInterleavedSymbols,
  loraPayloadSymbols,
  lowDataRateOptimisationByRule,
} from "./lora-airtime.ts";
import { LR_FHSS_BITRATE_BPS, lrFhssBits } from "./lr-fhss-airtime.ts";

export { type FskAirtimeInput, fskAirtime } from "./fsk-airtime.ts";
export {
  type LoraAirtime,
  type LoraAirtimeInput,
  type LoraCodingRate,
  loraAirtime,
  lowDataRateOptimisationByRule,
} from "./lora-airtime.ts";
export { type LrFhssAirtimeInput, type LrFhssCodeRate, lrFhssAirtime } from "./lr-fhss-airtime.ts";

/**
 * Airtime of a reception in whole microseconds; 0 when it cannot be computed: unknown modulation, coding rate
 * `OFF` or missing (both are signs of a false detection), settings that no radio has.
 *
 * Metadata name neither preamble nor header mode, so a LoRaWAN uplink is assumed: explicit header, 8 symbols of
 * preamble (12 at SF5 and SF6 on 2.4 GHz), a payload CRC unless the gateway says that there was none. Each further
 * preamble symbol of another network adds one symbol time. Never throws; cheap enough for every reception.
 */
export function airtimeOfReception(modulation: Modulation, payloadBytes: number, crc: Crc): number {
  if (!(payloadBytes >= 0 && payloadBytes <= 255)) {
    return 0;
  }
  const hasCrc = crc !== "none";
  switch (modulation.kind) {
    case "lora":
      return loraReceptionUs(
        modulation.spreadingFactor,
        modulation.bandwidthHz,
        modulation.codingRate,
        payloadBytes,
        hasCrc,
      );
    case "fsk":
      // LoRaWAN FSK: 5 preamble + 3 sync + 1 length + payload + 2 CRC octets (SX1302 HAL, lgw_time_on_air)
      return modulation.bitrateBps > 0 && Number.isFinite(modulation.bitrateBps)
        ? Math.round((8e6 * (9 + payloadBytes + (hasCrc ? 2 : 0))) / modulation.bitrateBps)
        : 0;
    case "lr-fhss":
      return lrFhssReceptionUs(modulation.codingRate, payloadBytes);
    case "unknown":
      return 0;
  }
}

function loraReceptionUs(
  spreadingFactor: number,
  bandwidthHz: number,
  codingRate: CodingRate | null,
  payloadBytes: number,
  crc: boolean,
): number {
  const codedBits = loraCodedBits(codingRate);
  if (
    codedBits === 0 ||
    !(spreadingFactor >= 5 && spreadingFactor <= 12) ||
    !Number.isInteger(spreadingFactor) ||
    !(bandwidthHz > 0 && bandwidthHz <= 10_000_000)
  ) {
    return 0;
  }
  let preamble = spreadingFactor <= 6 ? 14.25 : 12.25;
  if (spreadingFactor <= 6 && isLora2g4Bandwidth(bandwidthHz)) {
    // "Physical Layer Proposal 2.4GHz" (TN1300.03): DR6 and DR7 have 12 symbols of preamble
    preamble += 4;
  }
  const payloadSymbols =
    codingRate === "4/5LI" || codingRate === "4/6LI" || codingRate === "4/8LI"
      ? longInterleavedSymbols(spreadingFactor, codedBits, payloadBytes, true, crc)
      : loraPayloadSymbols(
          spreadingFactor,
          codedBits,
          payloadBytes,
          true,
          crc,
          lowDataRateOptimisationByRule(spreadingFactor, bandwidthHz),
        );
  return Math.round(((preamble + payloadSymbols) * (1 << spreadingFactor) * 1e6) / bandwidthHz);
}

/** Coded bits for 4 bits of data: 5 to 8; 0 when the rate is no LoRa coding rate. */
function loraCodedBits(codingRate: CodingRate | null): number {
  switch (codingRate) {
    case "4/5":
    case "4/5LI":
      return 5;
    case "4/6":
    case "4/6LI":
    // 2/3 and 1/2 are how some forwarders reduce 4/6 and 4/8.
    case "2/3":
      return 6;
    case "4/7":
      return 7;
    case "4/8":
    case "4/8LI":
    case "1/2":
      return 8;
    default:
      return 0;
  }
}

function lrFhssReceptionUs(codingRate: CodingRate | null, payloadBytes: number): number {
  switch (codingRate) {
    // RP002 (from memory): DR8 and DR10 send 3 headers at 1/3, DR9 and DR11 send 2 headers at 2/3
    case "1/3":
      return Math.round((lrFhssBits(payloadBytes, "1/3", 3) * 1e6) / LR_FHSS_BITRATE_BPS);
    // Some software writes 4/6 for 2/3.
    case "2/3":
    case "4/6":
      return Math.round((lrFhssBits(payloadBytes, "2/3", 2) * 1e6) / LR_FHSS_BITRATE_BPS);
    default:
      return 0;
  }
}
