/**
 * How long is a LoRa packet on the air? Exact to the symbol, below 1 GHz and at 2.4 GHz, with long interleaving.
 */

/** 1 to 4 for 4/5 to 4/8, or the names that forwarders use; `LI` marks long interleaving (2.4 GHz). */
export type LoraCodingRate = 1 | 2 | 3 | 4 | "4/5" | "4/6" | "4/7" | "4/8" | "4/5LI" | "4/6LI" | "4/8LI";

export interface LoraAirtimeInput {
  /** 5 to 12. */
  readonly spreadingFactor: number;
  /** Exact bandwidth in Hz: 7812.5, 125000, 812500 … */
  readonly bandwidthHz: number;
  readonly codingRate: LoraCodingRate;
  /** Octets of PHY payload, what a forwarder reports as `size`. */
  readonly payloadBytes: number;
  /** Symbols, without the sync word; LoRaWAN uses 8. */
  readonly preambleSymbols?: number;
  readonly explicitHeader?: boolean;
  /** Whether the payload carries a CRC: LoRaWAN uplinks do, downlinks do not. */
  readonly crc?: boolean;
  readonly lowDataRateOptimisation?: boolean | "auto";
  /** Transmitter family; it matters at SF6 only (SX127x, implicit header). */
  readonly transmitter?: "sx126x" | "sx127x";
}

export interface LoraAirtime {
  /** Microseconds, not rounded: at 2.4 GHz a symbol is no whole number of microseconds. */
  readonly airtimeUs: number;
  readonly symbolUs: number;
  /** Header and payload together, the 8 fixed symbols included. */
  readonly payloadSymbols: number;
  /** The configured preamble plus sync word: 4.25 symbols more, 6.25 at SF5 and SF6. */
  readonly preambleSymbols: number;
  readonly lowDataRateOptimisation: boolean;
}

/**
 * Below 1 GHz: on when a symbol lasts longer than 16 ms.
 * At 2.4 GHz: on for SF11 and SF12 at every bandwidth.
 *
 * Airtime functions of gateway drivers switch it on for every SF11 and SF12 instead, and so overrate a packet
 * at SF12/500 kHz by 8 %: right for predicting their transmit queue, wrong for the air.
 */
export function lowDataRateOptimisationByRule(spreadingFactor: number, bandwidthHz: number): boolean {
  if (isLora2g4Bandwidth(bandwidthHz)) {
    // SX128x driver, sx128x_get_lora_time_on_air_numerator (SWL2001 v4.8.0)
    return spreadingFactor >= 11;
  }
  // SX1276 data sheet, 4.1.1.6: mandated when the symbol exceeds 16 ms
  return 2 ** spreadingFactor / bandwidthHz > 0.016;
}

/** The four bandwidths of LoRa at 2.4 GHz, Hz. */
export function isLora2g4Bandwidth(bandwidthHz: number): boolean {
  return (
    bandwidthHz === 812_500 || bandwidthHz === 1_625_000 || bandwidthHz === 406_250 || bandwidthHz === 203_125
  );
}

/**
 * Time on air of one LoRa packet.
 *
 * @throws RangeError when a setting is outside its range: that is a mistake of the caller. For what a stranger
 * reported use `airtimeOfReception`, which never throws.
 */
export function loraAirtime(input: LoraAirtimeInput): LoraAirtime {
  const { spreadingFactor, bandwidthHz, payloadBytes } = input;
  const preamble = input.preambleSymbols ?? 8;
  requireRange("spreading factor", spreadingFactor, 5, 12, true);
  requireRange("bandwidth in Hz", bandwidthHz, 1, 10_000_000, false);
  requireRange("payload size in octets", payloadBytes, 0, 255, true);
  requireRange("preamble in symbols", preamble, 0, 65_535, true);
  const optimised =
    input.lowDataRateOptimisation === undefined || input.lowDataRateOptimisation === "auto"
      ? lowDataRateOptimisationByRule(spreadingFactor, bandwidthHz)
      : input.lowDataRateOptimisation;
  const explicitHeader = input.explicitHeader ?? true;
  const crc = input.crc ?? true;
  const coding = codingOf(input.codingRate);
  const oldSf6 = input.transmitter === "sx127x" && spreadingFactor === 6;
  const payloadSymbols = coding.longInterleaving
    ? longInterleavedSymbols(spreadingFactor, coding.codedBits, payloadBytes, explicitHeader, crc)
    : loraPayloadSymbols(
        spreadingFactor,
        coding.codedBits,
        payloadBytes,
        explicitHeader,
        crc,
        optimised,
        oldSf6,
      );
  // SX126x driver (SWL2001 v4.8.0): two preamble symbols more at SF5 and SF6; SX1272 data sheet 4.1.1.7: 4.25 always
  const preambleSymbols = preamble + (spreadingFactor <= 6 && !oldSf6 ? 6.25 : 4.25);
  const symbolUs = (2 ** spreadingFactor * 1e6) / bandwidthHz;
  return {
    airtimeUs: (preambleSymbols + payloadSymbols) * symbolUs,
    symbolUs,
    payloadSymbols,
    preambleSymbols,
    lowDataRateOptimisation: optimised,
  };
}

/**
 * Symbols of header and payload. `codedBits` is 5 to 8 for coding rate 4/5 to 4/8; arguments are not checked.
 * Kept free of objects because every reception passes here.
 */
export function loraPayloadSymbols(
  spreadingFactor: number,
  codedBits: number,
  payloadBytes: number,
  explicitHeader: boolean,
  crc: boolean,
  lowDataRateOptimisation: boolean,
  sx127xSf6 = false,
): number {
  // SX1272 data sheet Rev 2, 4.1.1.7; the "+8" is absent at SF5 and SF6 (SX126x driver, SWL2001 v4.8.0)
  const bits =
    8 * payloadBytes +
    (crc ? 16 : 0) -
    4 * spreadingFactor +
    (spreadingFactor >= 7 || sx127xSf6 ? 8 : 0) +
    (explicitHeader ? 20 : 0);
  // SX126x driver: low-data-rate optimisation never acts at SF5 and SF6
  const reduced = lowDataRateOptimisation && spreadingFactor >= 7 ? 2 : 0;
  return 8 + (bits <= 0 ? 0 : Math.ceil(bits / (4 * (spreadingFactor - reduced))) * codedBits);
}

/**
 * Symbols with long interleaving, 2.4 GHz. Source: SX128x driver, sx128x_get_lora_time_on_air_numerator
 * (SWL2001 v4.8.0). An older 2.4 GHz gateway driver counts the header space without the floor and differs at
 * even spreading factors; the newer driver is followed.
 */
export function longInterleavedSymbols(
  spreadingFactor: number,
  codedBits: number,
  payloadBytes: number,
  explicitHeader: boolean,
  crc: boolean,
): number {
  const bits = 8 * payloadBytes + (crc ? 16 : 0);
  const bitsPerBlock = spreadingFactor >= 11 ? 4 * (spreadingFactor - 2) : 4 * spreadingFactor;
  if (explicitHeader) {
    const space = 8 * Math.floor((spreadingFactor - (spreadingFactor < 7 ? 5 : 7)) / 2);
    const inHeader = bits > space ? Math.min(space, 8 * payloadBytes) : space;
    return 8 + Math.ceil((Math.max(0, bits - inHeader) * codedBits) / bitsPerBlock);
  }
  const firstBlock = spreadingFactor < 7 ? 4 * spreadingFactor : 4 * (spreadingFactor - 2);
  const firstSymbols = Math.ceil((bits * codedBits) / firstBlock);
  if (firstSymbols <= 8) {
    return firstSymbols;
  }
  return 8 + Math.ceil((bits * codedBits - 8 * firstBlock) / bitsPerBlock);
}

function codingOf(rate: LoraCodingRate): { readonly codedBits: number; readonly longInterleaving: boolean } {
  if (typeof rate === "number") {
    requireRange("coding rate", rate, 1, 4, true);
    return { codedBits: 4 + rate, longInterleaving: false };
  }
  if (!/^4\/(?:[5-8]|[568]LI)$/.test(rate)) {
    throw new RangeError(`coding rate must be 4/5 to 4/8, or 4/5LI, 4/6LI, 4/8LI, not ${String(rate)}`);
  }
  return { codedBits: Number(rate.charAt(2)), longInterleaving: rate.endsWith("LI") };
}

export function requireRange(what: string, value: number, least: number, most: number, whole: boolean): void {
  if (!(value >= least && value <= most) || (whole && !Number.isInteger(value))) {
    throw new RangeError(
      `${what} must be ${whole ? "a whole number " : ""}from ${least} to ${most}, not ${value}`,
    );
  }
}
