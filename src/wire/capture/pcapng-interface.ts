/**
 * What does a pcapng file say of an interface: its link type, its snapshot length, its clock?
 * Source: draft-ietf-opsawg-pcapng, sections 3.5 (options), 4.2 (interface description block) and 4.3 (timestamp).
 */

// draft-ietf-opsawg-pcapng section 4.2, table 3.
export const interfaceOptions = { end: 0, timestampResolution: 9, timestampOffset: 14 } as const;

export interface CaptureInterface {
  readonly linkType: number;
  /** 0: no limit. */
  readonly snapshotOctets: number;
  /** Units of a timestamp in one second. */
  readonly unitsPerSecond: bigint;
  /** Added to every timestamp. */
  readonly offsetSeconds: bigint;
}

// draft-ietf-opsawg-pcapng section 4.2: 10^-6 when the option is absent.
const microsecondsPerSecond = 1_000_000n;

/** Reads the body of an interface description block (what stands between the two lengths); null when it is too short. */
export function readInterface(body: Uint8Array, littleEndian: boolean): CaptureInterface | null {
  if (body.length < 8) return null;
  const view = new DataView(body.buffer, body.byteOffset, body.length);
  let unitsPerSecond = microsecondsPerSecond;
  let offsetSeconds = 0n;
  let at = 8;
  // Section 3.5: the end-of-options option may be missing, so the end of the block ends the list too.
  while (at + 4 <= body.length) {
    const option = view.getUint16(at, littleEndian);
    const length = view.getUint16(at + 2, littleEndian);
    const value = at + 4;
    if (option === interfaceOptions.end || value + length > body.length) break;
    if (option === interfaceOptions.timestampResolution && length === 1) {
      unitsPerSecond = resolution(view.getUint8(value));
    }
    if (option === interfaceOptions.timestampOffset && length === 8) {
      offsetSeconds = view.getBigInt64(value, littleEndian);
    }
    // Values are padded to 32 bits.
    at = value + Math.ceil(length / 4) * 4;
  }
  return {
    linkType: view.getUint16(0, littleEndian),
    snapshotOctets: view.getUint32(4, littleEndian),
    unitsPerSecond,
    offsetSeconds,
  };
}

/** Section 4.2: a power of ten, or of two when the most significant bit is set. */
function resolution(code: number): bigint {
  return code < 0x80 ? 10n ** BigInt(code) : 2n ** BigInt(code & 0x7f);
}

/** Microseconds since 1970, rounded down; null outside 1970 to 2255, where a number holds no microseconds. */
export function timestampUs(from: CaptureInterface, high: number, low: number): number | null {
  const { unitsPerSecond, offsetSeconds } = from;
  if (unitsPerSecond === microsecondsPerSecond && offsetSeconds === 0n) {
    const us = high * 4_294_967_296 + low;
    return Number.isSafeInteger(us) ? us : null;
  }
  const units = (BigInt(high) << 32n) | BigInt(low);
  const us = Number((units * microsecondsPerSecond) / unitsPerSecond + offsetSeconds * microsecondsPerSecond);
  return Number.isSafeInteger(us) && us >= 0 ? us : null;
}
