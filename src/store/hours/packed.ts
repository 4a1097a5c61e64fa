/**
 * How do the rows of hours take less room once their receptions are removed? Nobody asks for old hours often: they are
 * deflated, behind a mark that no row begins with otherwise.
 */
import { deflateRawSync, inflateRawSync } from "node:zlib";

/** Stands where a plain row says how long its head is, or how many channels it holds. */
const MARK = 0xffff_ffff;
const MARK_OCTETS = 4;

export function isPacked(columns: Uint8Array): boolean {
  return columns.length > MARK_OCTETS && viewOf(columns).getUint32(0, true) === MARK;
}

/** The octets, deflated. */
export function pack(columns: Uint8Array): Uint8Array {
  const mark = new Uint8Array(MARK_OCTETS);
  viewOf(mark).setUint32(0, MARK, true);
  return Buffer.concat([mark, deflateRawSync(columns, { level: 9 })]);
}

/** What was packed, in a buffer of its own. */
export function unpack(columns: Uint8Array): Uint8Array {
  return Uint8Array.from(inflateRawSync(columns.subarray(MARK_OCTETS)));
}

function viewOf({ buffer, byteOffset, byteLength }: Uint8Array): DataView {
  return new DataView(buffer, byteOffset, byteLength);
}
