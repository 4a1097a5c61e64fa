/**
 * How long is a (G)FSK packet on the air?
 */

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
  if (!Number.isInteger(input.payloadBytes) || input.payloadBytes < 0 || input.payloadBytes > 255) {
    throw new RangeError(
      `payload size in octets must be a whole number from 0 to 255, not ${input.payloadBytes}`,
    );
  }
  const bytes =
    (input.preambleBytes ?? 5) +
    (input.syncWordBytes ?? 3) +
    (input.lengthByte === false ? 0 : 1) +
    input.payloadBytes +
    (input.crc === false ? 0 : 2);
  return { airtimeUs: (8 * bytes * 1e6) / input.bitrateBps };
}
