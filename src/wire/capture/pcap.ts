/**
 * Which frames does a pcap file hold? Both byte orders, microseconds and nanoseconds.
 * Source: draft-ietf-opsawg-pcap, sections 4 (file header) and 5 (packet record). Section 4.1 of the draft lists
 * the octet sequences under the wrong byte order; section 4 and every existing file have 0xA1B2C3D4 written in the
 * writer's own order, so that D4 C3 B2 A1 is a little-endian file.
 *
 * Faults (layer capture): `version`, `record_length` (the framing is lost: reading takes up again at the next two
 * records that fit each other), `captured_length` (more octets than the snapshot length allows: counted, the frame is
 * read), `timestamp`, `cut`.
 */
import type { ByteQueue } from "./captured-frame.ts";
import { type FrameReader, type FrameSink, longestFrameOctets } from "./captured-frame.ts";

// draft-ietf-opsawg-pcap section 4: the two magic numbers.
export const pcapMagicMicroseconds = 0xa1b2c3d4;
export const pcapMagicNanoseconds = 0xa1b23c4d;
// draft-ietf-opsawg-pcap sections 4 and 5.
export const pcapFileHeaderOctets = 24;
export const pcapRecordHeaderOctets = 16;
// draft-ietf-opsawg-pcap section 4: current version 2.4; only the major number says that reading is impossible.
const majorVersion = 2;

/** Records further apart than this are no proof that the framing has been found again. */
const resumeWithinSeconds = 86_400;

/** Whether four octets open a pcap file. */
export function isPcapMagic(magicBigEndian: number, magicLittleEndian: number): boolean {
  return [magicBigEndian, magicLittleEndian].some(
    (magic) => magic === pcapMagicMicroseconds || magic === pcapMagicNanoseconds,
  );
}

interface FileHeader {
  readonly littleEndian: boolean;
  /** Parts of a second in a timestamp: 1,000,000 or 1,000,000,000. */
  readonly unitsPerSecond: number;
  readonly snapshotOctets: number;
  readonly linkType: number;
}

/** A reader for one file; the queue starts at the magic number. */
export function createPcapReader(): FrameReader {
  let header: FileHeader | null = null;
  let refused = false;
  let searching = false;
  let lastSeconds: number | null = null;
  let secondsBefore: number | null = null;

  function readHeader(queue: ByteQueue, sink: FrameSink): FileHeader | null {
    const littleMagic = queue.u32(0, true);
    const littleEndian = littleMagic === pcapMagicMicroseconds || littleMagic === pcapMagicNanoseconds;
    const major = queue.u16(4, littleEndian);
    if (major !== majorVersion) {
      sink.fault(
        {
          reason: "version",
          layer: "capture",
          at: 4,
          detail: `pcap version ${major}.${queue.u16(6, littleEndian)}`,
        },
        null,
      );
      return null;
    }
    const snapshot = queue.u32(16, littleEndian);
    return {
      littleEndian,
      unitsPerSecond: queue.u32(0, littleEndian) === pcapMagicNanoseconds ? 1_000_000_000 : 1_000_000,
      // Zero must not be written; read as no limit, as writers that wrote it meant.
      snapshotOctets: snapshot === 0 ? longestFrameOctets : snapshot,
      // Section 4: the upper 16 bits tell of a frame check sequence, which the lengths of IP make irrelevant.
      linkType: queue.u32(20, littleEndian) & 0xffff,
    };
  }

  /** Whether 16 octets look like a record header of this file. Some writers leave the original length at 0. */
  function isPlausible(queue: ByteQueue, at: number, file: FileHeader, zeroAllowed: boolean): boolean {
    const { littleEndian, unitsPerSecond } = file;
    const captured = queue.u32(at + 8, littleEndian);
    if (captured === 0 || captured > longestFrameOctets) return false;
    if (queue.u32(at + 4, littleEndian) >= unitsPerSecond) return false;
    const original = queue.u32(at + 12, littleEndian);
    return (original >= captured && original <= longestFrameOctets) || (zeroAllowed && original === 0);
  }

  /** Whether what follows a record looks like another, or is the end. Null: more octets are needed to tell. */
  function fitsNext(
    queue: ByteQueue,
    at: number,
    file: FileHeader,
    zeroAllowed: boolean,
    ended: boolean,
  ): boolean | null {
    const next = at + pcapRecordHeaderOctets + queue.u32(at + 8, file.littleEndian);
    if (next + pcapRecordHeaderOctets <= queue.length) return isPlausible(queue, next, file, zeroAllowed);
    return ended ? next <= queue.length : null;
  }

  /**
   * Whether the record in front can be believed. Section 5 says how its two lengths follow from each other: a header
   * that breaks this may be damaged, and is believed only when what follows fits. Null: more octets are needed.
   */
  function isBelieved(queue: ByteQueue, file: FileHeader, ended: boolean): boolean | null {
    const { littleEndian, snapshotOctets } = file;
    const captured = queue.u32(8, littleEndian);
    if (captured > longestFrameOctets) return false;
    const isAsExpected = captured === Math.min(queue.u32(12, littleEndian), snapshotOctets);
    return (isAsExpected && isPlausible(queue, 0, file, true)) || fitsNext(queue, 0, file, true, ended);
  }

  /** Whether a time is near to one of the last two: the very last may have been read from damage already. */
  function isNear(seconds: number): boolean {
    if (lastSeconds === null) return true;
    return [lastSeconds, secondsBefore ?? lastSeconds].some(
      (known) => Math.abs(seconds - known) <= resumeWithinSeconds,
    );
  }

  /** Moves to the next place where two records (or one and the end of the file) fit. False: more octets are needed. */
  function findRecord(queue: ByteQueue, file: FileHeader, ended: boolean): boolean {
    let at = 0;
    for (; at + pcapRecordHeaderOctets <= queue.length; at++) {
      if (!isPlausible(queue, at, file, false) || !isNear(queue.u32(at, file.littleEndian))) continue;
      const fits = fitsNext(queue, at, file, false, ended);
      if (fits === null) break;
      if (fits) {
        queue.drop(at);
        return true;
      }
    }
    queue.drop(at);
    return false;
  }

  function readRecords(queue: ByteQueue, sink: FrameSink, file: FileHeader, ended: boolean): void {
    const { littleEndian, unitsPerSecond, snapshotOctets, linkType } = file;
    for (;;) {
      if (searching) {
        if (!findRecord(queue, file, ended)) return;
        searching = false;
      }
      if (queue.length < pcapRecordHeaderOctets) return;
      const seconds = queue.u32(0, littleEndian);
      const fraction = queue.u32(4, littleEndian);
      const captured = queue.u32(8, littleEndian);
      const original = queue.u32(12, littleEndian);
      const fileOffset = queue.offset;
      const fits = isBelieved(queue, file, ended);
      if (fits === null) return;
      if (!fits && (captured > longestFrameOctets || isHeld(queue, captured))) {
        sink.fault(
          {
            reason: "record_length",
            layer: "capture",
            at: fileOffset + 8,
            detail: `${captured} octets claimed`,
          },
          lastSeconds === null ? null : lastSeconds * 1_000_000,
        );
        searching = true;
        queue.drop(1);
        continue;
      }
      if (!isHeld(queue, captured)) {
        if (!ended) return;
        // The file was cut here, or the length is damaged and whole records follow: both are looked for.
        cutFault(queue, sink, pcapRecordHeaderOctets + captured);
        searching = true;
        queue.drop(1);
        continue;
      }
      if (fraction >= unitsPerSecond) {
        sink.fault(
          { reason: "timestamp", layer: "capture", at: fileOffset + 4, detail: `fraction ${fraction}` },
          seconds * 1_000_000,
        );
      } else {
        secondsBefore = lastSeconds;
        lastSeconds = seconds;
        const atUs = seconds * 1_000_000 + Math.floor(fraction / (unitsPerSecond / 1_000_000));
        if (captured > snapshotOctets) {
          sink.fault(
            {
              reason: "captured_length",
              layer: "capture",
              at: fileOffset + 8,
              detail: `${captured} octets, snapshot length ${snapshotOctets}`,
            },
            atUs,
          );
        }
        const bytes = queue.view(pcapRecordHeaderOctets, captured);
        sink.frame({ linkType, atUs, bytes, originalOctets: Math.max(original, captured), fileOffset });
      }
      queue.drop(pcapRecordHeaderOctets + captured);
    }
  }

  function cutFault(queue: ByteQueue, sink: FrameSink, need: number): void {
    sink.fault(
      { reason: "cut", layer: "capture", at: queue.offset, need, have: queue.length },
      lastSeconds === null ? null : lastSeconds * 1_000_000,
    );
  }

  return {
    read(queue, sink, ended) {
      if (header === null && !refused && queue.length >= pcapFileHeaderOctets) {
        header = readHeader(queue, sink);
        refused = header === null;
        queue.drop(pcapFileHeaderOctets);
      }
      if (refused) {
        queue.drop(queue.length);
        return;
      }
      if (header !== null) readRecords(queue, sink, header, ended);
      if (ended && queue.length > 0) {
        if (!searching) {
          cutFault(queue, sink, header === null ? pcapFileHeaderOctets : pcapRecordHeaderOctets);
        }
        queue.drop(queue.length);
      }
    },
  };
}

function isHeld(queue: ByteQueue, captured: number): boolean {
  return queue.length >= pcapRecordHeaderOctets + captured;
}
