/**
 * How do the rows of hours take less room once their receptions are removed? Nobody asks for old hours often: a whole day
 * of them is put together and compressed (frame-days.ts, packet-days.ts); here is what these share. Hours that an
 * earlier version deflated one by one, behind a mark that no row begins with otherwise, are still read.
 */
import { brotliCompressSync, brotliDecompressSync, constants, inflateRawSync } from "node:zlib";

/** Stands where a plain row says how long its head is, or how many channels it holds. */
const MARK = 0xffff_ffff;
const MARK_OCTETS = 4;

/** True: an hour by itself, deflated. */
export function isPacked(columns: Uint8Array): boolean {
  return columns.length > MARK_OCTETS && viewOf(columns).getUint32(0, true) === MARK;
}

/** What was deflated, in a buffer of its own. */
export function unpack(columns: Uint8Array): Uint8Array {
  return Uint8Array.from(inflateRawSync(columns.subarray(MARK_OCTETS)));
}

/** Hours of the table before they lie in one row. */
export const DAY_HOURS = 24;

/** The row of an hour, plain or as an earlier version packed it. */
export interface HourRow {
  readonly hour: number;
  readonly columns: Uint8Array;
}

/** Five of eleven: what more effort gains (5 %) costs eight times the processor time. Measured on a month. */
const QUALITY = 5;
const LENGTH_OCTETS = 4;

type Column = Uint8Array | Uint16Array | Int16Array | Uint32Array;

/** What is said of the columns, and these, compressed. */
export function packColumns(head: unknown, columns: readonly Column[]): Uint8Array {
  const text = Buffer.from(JSON.stringify(head), "latin1");
  const length = Buffer.alloc(LENGTH_OCTETS);
  length.writeUInt32LE(text.length);
  return brotliCompressSync(Buffer.concat([length, text, toPlanes(columns)]), {
    params: { [constants.BROTLI_PARAM_QUALITY]: QUALITY },
  });
}

/** What packColumns packed: what is said, and the octets of the columns for fromPlanes. */
export function unpackColumns(packed: Uint8Array): { head: unknown; planes: Uint8Array } {
  const octets = brotliDecompressSync(packed);
  const end = LENGTH_OCTETS + octets.readUInt32LE();
  return {
    head: JSON.parse(octets.toString("latin1", LENGTH_OCTETS, end)) as unknown,
    planes: octets.subarray(end),
  };
}

/** The octets of each column by their weight: those of one weight say more alike things than those of one value. */
function toPlanes(columns: readonly Column[]): Uint8Array {
  const planes = new Uint8Array(columns.reduce((sum, { byteLength }) => sum + byteLength, 0));
  let to = 0;
  for (const column of columns) {
    const { octets, width } = octetsOf(column);
    for (let weight = 0; weight < width; weight++)
      for (let from = weight; from < octets.length; from += width) planes[to++] = octets[from] ?? 0;
  }
  return planes;
}

/** Fills the columns with what toPlanes made of them. */
export function fromPlanes(planes: Uint8Array, columns: readonly Column[]): void {
  let from = 0;
  for (const column of columns) {
    const { octets, width } = octetsOf(column);
    for (let weight = 0; weight < width; weight++)
      for (let to = weight; to < octets.length; to += width) octets[to] = planes[from++] ?? 0;
  }
}

function octetsOf({ buffer, byteOffset, byteLength, BYTES_PER_ELEMENT: width }: Column) {
  return { octets: new Uint8Array(buffer, byteOffset, byteLength), width };
}

/** Groups of a column of 16 bits. */
const MAX_GROUPS = 0x1_0000;

/** Makes of each value what it adds to the one before, or to the one before of the same group; it comes round at 0. */
export function toDifferences(values: Column, groups: Uint16Array | null): void {
  const before = new Float64Array(groups === null ? 1 : MAX_GROUPS);
  for (let i = 0; i < values.length; i++) {
    const group = groups === null ? 0 : (groups[i] ?? 0);
    const value = values[i] ?? 0;
    values[i] = value - (before[group] ?? 0);
    before[group] = value;
  }
}

/** Makes values again of what toDifferences made of them. */
export function fromDifferences(values: Column, groups: Uint16Array | null): void {
  const before = new Float64Array(groups === null ? 1 : MAX_GROUPS);
  for (let i = 0; i < values.length; i++) {
    const group = groups === null ? 0 : (groups[i] ?? 0);
    values[i] = (values[i] ?? 0) + (before[group] ?? 0);
    before[group] = values[i] ?? 0;
  }
}

function viewOf({ buffer, byteOffset, byteLength }: Uint8Array): DataView {
  return new DataView(buffer, byteOffset, byteLength);
}
