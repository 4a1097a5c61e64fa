/**
 * How is a pcapng file written? Only tests write this format, so the writer lives with them.
 * Source: draft-ietf-opsawg-pcapng, sections 3.1, 3.5, 4.1 to 4.4, 4.8 and appendix A.
 */
import { joined } from "./octets.ts";

export interface InterfaceChoices {
  readonly linkType?: number;
  readonly snapshotOctets?: number;
  /** Options as code and value. */
  readonly options?: readonly (readonly [number, Uint8Array])[];
}

/** Writes blocks in one byte order. */
export function pcapngBlocks(littleEndian: boolean) {
  const u16 = (value: number): Uint8Array => {
    const octets = new Uint8Array(2);
    new DataView(octets.buffer).setUint16(0, value, littleEndian);
    return octets;
  };
  const u32 = (value: number): Uint8Array => {
    const octets = new Uint8Array(4);
    new DataView(octets.buffer).setUint32(0, value, littleEndian);
    return octets;
  };
  const padded = (octets: Uint8Array): Uint8Array => joined(octets, new Uint8Array(-octets.length & 3));
  const block = (type: number, ...body: readonly Uint8Array[]): Uint8Array => {
    const content = padded(joined(...body));
    const length = u32(content.length + 12);
    return joined(u32(type), length, content, length);
  };
  const option = (code: number, value: Uint8Array): Uint8Array =>
    joined(u16(code), u16(value.length), padded(value));
  const timestamp = (units: bigint): Uint8Array =>
    joined(u32(Number(units >> 32n)), u32(Number(units & 0xffff_ffffn)));

  return {
    block,
    option,
    u32,
    section: (version: readonly [number, number] = [1, 0]) =>
      block(0x0a0d0d0a, u32(0x1a2b3c4d), u16(version[0]), u16(version[1]), new Uint8Array(8).fill(0xff)),
    interface: ({ linkType = 1, snapshotOctets = 0, options = [] }: InterfaceChoices = {}) =>
      block(
        1,
        u16(linkType),
        u16(0),
        u32(snapshotOctets),
        ...options.map(([code, value]) => option(code, value)),
        ...(options.length > 0 ? [option(0, new Uint8Array(0))] : []),
      ),
    enhanced: (
      id: number,
      units: bigint,
      frame: Uint8Array,
      originalOctets = frame.length,
      tail: Uint8Array = new Uint8Array(0),
    ) => block(6, u32(id), timestamp(units), u32(frame.length), u32(originalOctets), padded(frame), tail),
    simple: (frame: Uint8Array, originalOctets = frame.length) => block(3, u32(originalOctets), frame),
    obsolete: (id: number, drops: number, units: bigint, frame: Uint8Array) =>
      block(2, u16(id), u16(drops), timestamp(units), u32(frame.length), u32(frame.length), frame),
  };
}
