/**
 * Which frames does a pcapng file hold? Several sections, both byte orders, several interfaces with their own link
 * type and clock; blocks of no interest are skipped by their length.
 * Source: draft-ietf-opsawg-pcapng, sections 3.1 (blocks), 3.5 (options), 4.1 to 4.4, 4.8 and appendix A.
 *
 * Faults (layer capture): `version`, `block_length` and `block_trailer` (a block that cannot be believed; when the
 * framing is lost, reading takes up again at the next block whose two lengths agree), `interface`,
 * `interface_limit`, `captured_length`, `timestamp`, `no_timestamp` (a simple packet before any time is known),
 * `timestamp_borrowed` (a simple packet, read at the time of the frame before it), `cut`.
 */
import type { WireFault } from "../../model/fault.ts";
import { type ByteQueue, type FrameReader, type FrameSink, longestFrameOctets } from "./captured-frame.ts";

// draft-ietf-opsawg-pcapng sections 4.1 to 4.8, appendix A, and 10.1 (standardized block type codes).
export const blockTypes = {
  sectionHeader: 0x0a0d0d0a,
  interfaceDescription: 1,
  obsoletePacket: 2,
  simplePacket: 3,
  nameResolution: 4,
  interfaceStatistics: 5,
  enhancedPacket: 6,
  decryptionSecrets: 0x0a,
  custom: 0x00000bad,
  customNotCopied: 0x40000bad,
} as const;
// draft-ietf-opsawg-pcapng section 4.1.
export const byteOrderMagic = 0x1a2b3c4d;

const knownTypes: ReadonlySet<number> = new Set(Object.values(blockTypes));
// draft-ietf-opsawg-pcapng section 3.1: type, length and length again.
const frameOctets = 12;
// draft-ietf-opsawg-pcapng section 4.1: everything before the options, and the trailing length.
const sectionHeaderOctets = 28;
/** Blocks up to this length are held whole, so that both lengths are compared: the longest frame and its options. */
const longestHeldOctets = 1 << 20;
/** No block of a sane file is longer (common practice, no source). */
const longestSkippedOctets = 1 << 24;
/** Interfaces of one section that are remembered. */
const interfaceLimit = 4096;

/** A reader for one file; the queue starts at a section header block. */
export function createPcapngReader(): FrameReader {
  let littleEndian = true;
  let interfaces: CaptureInterface[] = [];
  /** A section of another version is skipped to the next section header, as section 3.4 demands. */
  let sectionRefused = false;
  let searching = false;
  let toSkip = 0;
  let lastUs: number | null = null;

  const faultAt = (
    sink: FrameSink,
    reason: string,
    at: number,
    detail?: string,
    lengths?: Pick<WireFault, "need" | "have">,
  ): void =>
    sink.fault(
      { reason, layer: "capture", at, ...lengths, ...(detail === undefined ? {} : { detail }) },
      lastUs,
    );

  /** Byte order that a section header announces; null when the magic is neither. */
  function sectionOrder(queue: ByteQueue, at: number): boolean | null {
    if (queue.u32(at + 8, true) === byteOrderMagic) return true;
    return queue.u32(at + 8, false) === byteOrderMagic ? false : null;
  }

  /** Length of the block at `at` when its head can be believed; null when not. 12 octets are there. */
  function blockLength(queue: ByteQueue, at: number): number | null {
    let order: boolean | null = littleEndian;
    const isSection = queue.u32(at, true) === blockTypes.sectionHeader;
    if (isSection) order = sectionOrder(queue, at);
    if (order === null) return null;
    const length = queue.u32(at + 4, order);
    // Section 3.1: a multiple of 4, and at least the 12 octets around an empty body.
    const shortest = isSection ? sectionHeaderOctets : frameOctets;
    return length % 4 === 0 && length >= shortest && length <= longestSkippedOctets ? length : null;
  }

  /** Moves to the next block of a known type whose two lengths agree. False: more octets are needed. */
  function findBlock(queue: ByteQueue, ended: boolean): boolean {
    let at = 0;
    for (; at + frameOctets <= queue.length; at++) {
      const isSection = queue.u32(at, true) === blockTypes.sectionHeader;
      if (!isSection && !knownTypes.has(queue.u32(at, littleEndian))) continue;
      const length = blockLength(queue, at);
      if (length === null || length > longestHeldOctets) continue;
      if (at + length > queue.length) {
        if (!ended) break;
        continue;
      }
      const order = isSection ? (sectionOrder(queue, at) ?? littleEndian) : littleEndian;
      if (queue.u32(at + length - 4, order) === length) {
        queue.drop(at);
        return true;
      }
    }
    queue.drop(at);
    return false;
  }

  function beginSection(queue: ByteQueue, sink: FrameSink): void {
    littleEndian = sectionOrder(queue, 0) ?? littleEndian;
    interfaces = [];
    const major = queue.u16(12, littleEndian);
    const minor = queue.u16(14, littleEndian);
    // Section 4.1: version 1.0; a minor version of 2 must be read as 0.
    sectionRefused = major !== 1 || (minor !== 0 && minor !== 2);
    if (sectionRefused) faultAt(sink, "version", queue.offset + 12, `pcapng version ${major}.${minor}`);
  }

  function addInterface(queue: ByteQueue, length: number, sink: FrameSink): void {
    if (interfaces.length >= interfaceLimit) {
      faultAt(sink, "interface_limit", queue.offset, `more than ${interfaceLimit} interfaces`);
      return;
    }
    const described = readInterface(queue.view(8, length - frameOctets), littleEndian);
    if (described === null) {
      faultAt(sink, "block_length", queue.offset + 4, `interface description of ${length} octets`);
      return;
    }
    interfaces.push(described);
  }

  /** Enhanced packet (section 4.3), and the obsolete packet block (appendix A), which differs in one field. */
  function readPacket(queue: ByteQueue, length: number, type: number, sink: FrameSink): void {
    const { offset } = queue;
    if (length < 32) {
      faultAt(sink, "block_length", offset + 4, undefined, { need: 32, have: length });
      return;
    }
    const id = type === blockTypes.enhancedPacket ? queue.u32(8, littleEndian) : queue.u16(8, littleEndian);
    const from = interfaces[id];
    if (from === undefined) {
      faultAt(sink, "interface", offset + 8, `interface ${id} is not described`);
      return;
    }
    const captured = queue.u32(20, littleEndian);
    if (captured > length - 32 || captured > longestFrameOctets) {
      faultAt(sink, "captured_length", offset + 20, undefined, { need: captured, have: length - 32 });
      return;
    }
    const atUs = timestampUs(from, queue.u32(12, littleEndian), queue.u32(16, littleEndian));
    if (atUs === null) {
      faultAt(sink, "timestamp", offset + 12, "outside 1970 to 2255");
      return;
    }
    lastUs = atUs;
    if (from.snapshotOctets > 0 && captured > from.snapshotOctets) {
      const detail = `${captured} octets, snapshot length ${from.snapshotOctets}`;
      faultAt(sink, "captured_length", offset + 20, detail);
    }
    sink.frame({
      linkType: from.linkType,
      atUs,
      bytes: queue.view(28, captured),
      originalOctets: Math.max(captured, queue.u32(24, littleEndian)),
      fileOffset: offset,
    });
  }

  /** Section 4.4: interface 0, no time, the captured length follows from the snapshot length. */
  function readSimplePacket(queue: ByteQueue, length: number, sink: FrameSink): void {
    const { offset } = queue;
    const from = interfaces[0];
    if (length < 16) {
      faultAt(sink, "block_length", offset + 4, undefined, { need: 16, have: length });
      return;
    }
    if (from === undefined) {
      faultAt(sink, "interface", offset, "interface 0 is not described");
      return;
    }
    const original = queue.u32(8, littleEndian);
    const captured = from.snapshotOctets > 0 ? Math.min(original, from.snapshotOctets) : original;
    if (captured > length - 16 || captured > longestFrameOctets) {
      faultAt(sink, "captured_length", offset + 8, undefined, { need: captured, have: length - 16 });
      return;
    }
    if (lastUs === null) {
      faultAt(sink, "no_timestamp", offset, "simple packet block");
      return;
    }
    faultAt(sink, "timestamp_borrowed", offset, "simple packet block");
    const bytes = queue.view(12, captured);
    sink.frame({
      linkType: from.linkType,
      atUs: lastUs,
      bytes,
      originalOctets: original,
      fileOffset: offset,
    });
  }

  function readBlock(queue: ByteQueue, type: number, length: number, sink: FrameSink): void {
    if (type === blockTypes.sectionHeader) beginSection(queue, sink);
    else if (sectionRefused) return;
    else if (type === blockTypes.interfaceDescription) addInterface(queue, length, sink);
    else if (type === blockTypes.simplePacket) readSimplePacket(queue, length, sink);
    else if (isPacket(type)) readPacket(queue, length, type, sink);
  }

  function isRead(type: number): boolean {
    if (type === blockTypes.sectionHeader) return true;
    return type === blockTypes.interfaceDescription || isPacket(type);
  }

  function readBlocks(queue: ByteQueue, sink: FrameSink, ended: boolean): void {
    for (;;) {
      toSkip -= queue.drop(toSkip);
      if (toSkip > 0) return;
      if (searching) {
        if (!findBlock(queue, ended)) return;
        searching = false;
      }
      if (queue.length < frameOctets) return;
      const { offset } = queue;
      const type = queue.u32(0, littleEndian);
      const length = blockLength(queue, 0);
      if (length === null) {
        faultAt(sink, "block_length", offset + 4, `${queue.u32(4, littleEndian)} octets claimed`);
        searching = true;
        queue.drop(1);
        continue;
      }
      if (length > longestHeldOctets) {
        if (isRead(type)) {
          faultAt(sink, "block_length", offset + 4, `${length} octets claimed`);
          searching = true;
          queue.drop(1);
        } else {
          toSkip = length;
        }
        continue;
      }
      if (queue.length < length) {
        if (!ended) return;
        // The file was cut here, or the length is damaged and whole blocks follow: both are looked for.
        faultAt(sink, "cut", offset, undefined, { need: length, have: queue.length });
        searching = true;
        queue.drop(1);
        continue;
      }
      const order = type === blockTypes.sectionHeader ? sectionOrder(queue, 0) : littleEndian;
      if (queue.u32(length - 4, order ?? littleEndian) === length) {
        readBlock(queue, type, length, sink);
        queue.drop(length);
      } else {
        faultAt(sink, "block_trailer", offset + length - 4, `block of ${length} octets`);
        searching = true;
        queue.drop(1);
      }
    }
  }

  return {
    read(queue, sink, ended) {
      readBlocks(queue, sink, ended);
      if (!ended) return;
      if (!searching && (toSkip > 0 || queue.length > 0)) {
        const need = toSkip > 0 ? toSkip : frameOctets;
        faultAt(sink, "cut", queue.offset, undefined, { need, have: queue.length });
      }
      queue.drop(queue.length);
    },
  };
}

function isPacket(type: number): boolean {
  return (
    type === blockTypes.enhancedPacket ||
    type === blockTypes.obsoletePacket ||
    type === blockTypes.simplePacket
  );
}

// What does an interface's block say: its link type, its snapshot length, its clock? Sections 3.5, 4.2 and 4.3.

// draft-ietf-opsawg-pcapng section 4.2, table 3.
const interfaceOptions = { end: 0, timestampResolution: 9, timestampOffset: 14 } as const;

interface CaptureInterface {
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
function readInterface(body: Uint8Array, littleEndian: boolean): CaptureInterface | null {
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
function timestampUs(from: CaptureInterface, high: number, low: number): number | null {
  const { unitsPerSecond, offsetSeconds } = from;
  if (unitsPerSecond === microsecondsPerSecond && offsetSeconds === 0n) {
    const us = high * 4_294_967_296 + low;
    return Number.isSafeInteger(us) ? us : null;
  }
  const units = (BigInt(high) << 32n) | BigInt(low);
  const us = Number((units * microsecondsPerSecond) / unitsPerSecond + offsetSeconds * microsecondsPerSecond);
  return Number.isSafeInteger(us) && us >= 0 ? us : null;
}
