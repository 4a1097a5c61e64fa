/**
 * How long is an LR-FHSS packet on the air?
 */

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
  if (!Number.isInteger(input.payloadBytes) || input.payloadBytes < 0 || input.payloadBytes > 255) {
    throw new RangeError(
      `payload size in octets must be a whole number from 0 to 255, not ${input.payloadBytes}`,
    );
  }
  if (!Number.isInteger(input.headers) || input.headers < 1 || input.headers > 4) {
    throw new RangeError(`LR-FHSS headers must be 1 to 4, not ${input.headers}`);
  }
  const bits = lrFhssBits(input.payloadBytes, input.codeRate, input.headers);
  return { bits, airtimeUs: (bits * 1e6) / LR_FHSS_BITRATE_BPS };
}

/** Bits on the air; arguments are not checked. */
export function lrFhssBits(payloadBytes: number, codeRate: LrFhssCodeRate, headers: number): number {
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
