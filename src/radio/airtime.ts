/**
 * How long was the packet on the air that a gateway heard? From modulation and size alone; the formulas are in
 * lora-airtime.ts, airtime.ts and airtime.ts.
 */
import type { Crc } from "../model/datagram.ts";
import type { CodingRate, Modulation } from "../model/modulation.ts";
import {
  isLora2g4Bandwidth,
  longInterleavedSymbols,
  loraPayloadSymbols,
  lowDataRateOptimisationByRule,
  requireRange,
} from "./lora-airtime.ts";

// How long is an LR-FHSS packet on the air?

export type LrFhssCodeRate = "5/6" | "2/3" | "1/2" | "1/3";

export interface LrFhssAirtimeInput {
  /** Octets of PHY payload. */
  readonly payloadBytes: number;
  readonly codeRate: LrFhssCodeRate;
  /** Repetitions of the header, 1 to 4. */
  readonly headers: number;
}

/** Bits per second on every hop. LR11xx driver, lr11xx_lr_fhss (SWL2001 v4.8.0): 125 MHz / 256000. */
export const LR_FHSS_BITRATE_BPS = 488.28125;
/** Bits of one header, same source. */
export const LR_FHSS_HEADER_BITS = 114;
/** Bits of one full payload fragment, same source: 48 coded bits and 2 of preamble. */
export const LR_FHSS_FRAGMENT_BITS = 50;

/**
 * Time on air in microseconds, as the transmitter's driver computes it (lr11xx_lr_fhss_get_nb_bits, SWL2001 v4.8.0).
 * Academic forms count whole fragments; the driver's last fragment is short, and the driver is what transmits.
 *
 * @throws RangeError when the size, code rate or header count is out of range.
 */
export function lrFhssAirtime(input: LrFhssAirtimeInput): {
  readonly airtimeUs: number;
  /** All bits sent, headers included. */
  readonly bits: number;
} {
  requireRange("payload size in octets", input.payloadBytes, 0, 255, true);
  if (!Number.isInteger(input.headers) || input.headers < 1 || input.headers > 4) {
    throw new RangeError(`LR-FHSS headers must be 1 to 4, not ${input.headers}`);
  }
  const bits = lrFhssBits(input.payloadBytes, input.codeRate, input.headers);
  return { bits, airtimeUs: (bits * 1e6) / LR_FHSS_BITRATE_BPS };
}

/** Bits on the air; arguments are not checked. */
function lrFhssBits(payloadBytes: number, codeRate: LrFhssCodeRate, headers: number): number {
  const uncoded = 8 * (payloadBytes + 2) + 6;
  const coded = codedBits(uncoded, codeRate);
  const rest = coded % 48;
  return (
    LR_FHSS_HEADER_BITS * headers + LR_FHSS_FRAGMENT_BITS * Math.floor(coded / 48) + (rest > 0 ? rest + 2 : 0)
  );
}

function codedBits(uncoded: number, codeRate: LrFhssCodeRate): number {
  switch (codeRate) {
    case "5/6":
      return Math.floor((6 * uncoded + 4) / 5);
    case "2/3":
      return Math.floor((3 * uncoded) / 2);
    case "1/2":
      return 2 * uncoded;
    case "1/3":
      return 3 * uncoded;
    default:
      throw new RangeError(`LR-FHSS code rate must be 5/6, 2/3, 1/2 or 1/3, not ${String(codeRate)}`);
  }
}

export { loraAirtime } from "./lora-airtime.ts";

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

/** Returns the LR-FHSS coding rate that a forwarder means: some write it in sixths. Null: no LR-FHSS rate. */
export function lrFhssCodeRate(codingRate: CodingRate | null): LrFhssCodeRate | null {
  switch (codingRate) {
    case "1/3":
    case "2/6":
      return "1/3";
    case "1/2":
    case "3/6":
      return "1/2";
    case "2/3":
    case "4/6":
      return "2/3";
    case "5/6":
      return "5/6";
    default:
      return null;
  }
}

/** Headers that LoRaWAN sends. RP002 (from memory): DR8 and DR10 send 3 at 1/3, DR9 and DR11 send 2 at 2/3. */
const LR_FHSS_HEADERS: ReadonlyMap<LrFhssCodeRate | null, number> = new Map([
  ["1/3", 3],
  ["2/3", 2],
]);

function lrFhssReceptionUs(codingRate: CodingRate | null, payloadBytes: number): number {
  const codeRate = lrFhssCodeRate(codingRate);
  const headers = LR_FHSS_HEADERS.get(codeRate);
  if (codeRate === null || headers === undefined) return 0;
  return Math.round((lrFhssBits(payloadBytes, codeRate, headers) * 1e6) / LR_FHSS_BITRATE_BPS);
}

/** Returns why airtimeOfReception is 0 for a modulation, as half a sentence. */
export function airtimeNotKnown(modulation: Modulation): string {
  return `airtime not known: ${whyNotKnown(modulation)}`;
}

function whyNotKnown(modulation: Modulation): string {
  switch (modulation.kind) {
    case "unknown":
      return "the modulation was not recognised";
    case "fsk":
      return "the bit rate or the size is not possible";
    case "lora":
    case "lr-fhss": {
      if (modulation.codingRate === null) return "no coding rate was reported";
      const isLoraRate = modulation.kind === "lora" && loraCodedBits(modulation.codingRate) > 0;
      if (isLoraRate) return "spreading factor, bandwidth or size is not possible";
      if (modulation.kind === "lr-fhss" && lrFhssCodeRate(modulation.codingRate) !== null)
        return `LoRaWAN sends LR-FHSS at 1/3 and 2/3, not at ${modulation.codingRate}`;
      return `coding rate ${modulation.codingRate} does not belong to ${modulation.kind === "lora" ? "LoRa" : "LR-FHSS"}`;
    }
  }
}

// How long is a (G)FSK packet on the air?

export interface FskAirtimeInput {
  /** Bits per second; LoRaWAN uses 50000. */
  readonly bitrateBps: number;
  /** Octets of PHY payload. */
  readonly payloadBytes: number;
  readonly preambleBytes?: number;
  readonly syncWordBytes?: number;
  /** The octet that carries the length; variable-length packets have one. */
  readonly lengthByte?: boolean;
  readonly crc?: boolean;
}

/**
 * Time on air in microseconds. Defaults are LoRaWAN's: 5 octets of preamble, 3 of sync word, 1 of length, 2 of CRC.
 * Source: SX1302 HAL, lgw_time_on_air (which adds up to a millisecond as margin; that margin is left out here).
 *
 * @throws RangeError when the bit rate or the size is out of range.
 */
export function fskAirtime(input: FskAirtimeInput): { readonly airtimeUs: number } {
  if (!(input.bitrateBps > 0) || !Number.isFinite(input.bitrateBps)) {
    throw new RangeError(`bit rate must be above 0 bits per second, not ${input.bitrateBps}`);
  }
  requireRange("payload size in octets", input.payloadBytes, 0, 255, true);
  const bytes =
    (input.preambleBytes ?? 5) +
    (input.syncWordBytes ?? 3) +
    (input.lengthByte === false ? 0 : 1) +
    input.payloadBytes +
    (input.crc === false ? 0 : 2);
  return { airtimeUs: (8 * bytes * 1e6) / input.bitrateBps };
}

// How long does a gateway transmit when it sends a packet that a server handed to it?

const LORA_PREAMBLE = 8;
const LORA_PREAMBLE_FLOOR = 6;
const FSK_PREAMBLE = 5;
const FSK_PREAMBLE_FLOOR = 3;

/**
 * Whole microseconds; 0 when it cannot be computed. `preamble`: symbols (LoRa) or octets (FSK) as asked for, null for the
 * daemon's own (8, 5); it sends no fewer than 6 and 3 (SX1302 daemon V2.1.0, thread_down).
 */
export function airtimeOfTransmission(
  modulation: Modulation,
  payloadBytes: number,
  { preamble, withCrc }: { readonly preamble: number | null; readonly withCrc: boolean },
): number {
  const usual = airtimeOfReception(modulation, payloadBytes, withCrc ? "ok" : "none");
  if (usual === 0 || preamble === null) return usual;
  if (modulation.kind === "lora") {
    const symbolUs = (2 ** modulation.spreadingFactor * 1e6) / modulation.bandwidthHz;
    return Math.round(usual + (Math.max(preamble, LORA_PREAMBLE_FLOOR) - LORA_PREAMBLE) * symbolUs);
  }
  if (modulation.kind === "fsk") {
    const octetUs = 8e6 / modulation.bitrateBps;
    return Math.round(usual + (Math.max(preamble, FSK_PREAMBLE_FLOOR) - FSK_PREAMBLE) * octetUs);
  }
  return usual;
}
