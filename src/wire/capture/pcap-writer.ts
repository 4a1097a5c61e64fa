/**
 * How are datagrams written as a packet capture that other tools read?
 * Source: draft-ietf-opsawg-pcap, sections 4 (file header) and 5 (packet record).
 */
import type { Arrival } from "../../model/arrival.ts";
import { longestFrameOctets } from "./captured-frame.ts";
import { linkTypes } from "./link-layer.ts";
import {
  pcapFileHeaderOctets,
  pcapMagicMicroseconds,
  pcapMagicNanoseconds,
  pcapRecordHeaderOctets,
} from "./pcap.ts";
import { udpFrames, type WritableLinkType } from "./udp-frames.ts";

export type { WritableLinkType } from "./udp-frames.ts";

export interface PcapWriterOptions {
  /** Ethernet unless told otherwise. */
  readonly linkType?: WritableLinkType;
  /** Nanosecond resolution; microseconds unless told otherwise. */
  readonly nanoseconds?: boolean;
  /** Little endian unless told otherwise. */
  readonly byteOrder?: "little" | "big";
  /** Longest IP packet in octets before it is split; 1500 unless told otherwise. */
  readonly mtuOctets?: number;
  /** Frames longer than this are cut, as a capture would; 262,144 octets unless told otherwise. */
  readonly snapshotOctets?: number;
}

export interface PcapWriter {
  /** The first octets of the file. */
  readonly header: Uint8Array;
  /**
   * The records of one datagram, several when it is split into fragments. Throws a RangeError for what no capture can
   * hold: a time outside 1970 to 2106, an address that is none, more octets than UDP carries.
   */
  datagram(arrival: Omit<Arrival, "door">): Uint8Array;
  /** The record of one frame as it is. */
  frame(bytes: Uint8Array, atUs: number): Uint8Array;
}

// draft-ietf-opsawg-pcap section 5: 32-bit seconds.
const longestSeconds = 0xffff_ffff;

/** A writer for one file. The same calls give the same octets. */
export function createPcapWriter(options: PcapWriterOptions = {}): PcapWriter {
  const linkType = options.linkType ?? linkTypes.ethernet;
  const nanoseconds = options.nanoseconds ?? false;
  const littleEndian = (options.byteOrder ?? "little") === "little";
  const mtuOctets = options.mtuOctets ?? 1500;
  const snapshotOctets = options.snapshotOctets ?? longestFrameOctets;
  let identification = 0;

  function header(): Uint8Array {
    const octets = new Uint8Array(pcapFileHeaderOctets);
    const view = new DataView(octets.buffer);
    view.setUint32(0, nanoseconds ? pcapMagicNanoseconds : pcapMagicMicroseconds, littleEndian);
    view.setUint16(4, 2, littleEndian);
    view.setUint16(6, 4, littleEndian);
    view.setUint32(16, snapshotOctets, littleEndian);
    view.setUint32(20, linkType, littleEndian);
    return octets;
  }

  function frame(bytes: Uint8Array, atUs: number): Uint8Array {
    const seconds = Math.floor(atUs / 1_000_000);
    if (!Number.isInteger(atUs) || seconds < 0 || seconds > longestSeconds) {
      throw new RangeError(`${atUs} µs is no time that a packet capture can hold`);
    }
    const captured = Math.min(bytes.length, snapshotOctets);
    const record = new Uint8Array(pcapRecordHeaderOctets + captured);
    const view = new DataView(record.buffer);
    view.setUint32(0, seconds, littleEndian);
    view.setUint32(4, (atUs - seconds * 1_000_000) * (nanoseconds ? 1000 : 1), littleEndian);
    view.setUint32(8, captured, littleEndian);
    view.setUint32(12, bytes.length, littleEndian);
    record.set(bytes.subarray(0, captured), pcapRecordHeaderOctets);
    return record;
  }

  return {
    header: header(),
    frame,
    datagram(arrival) {
      const frames = udpFrames(arrival, { linkType, mtuOctets, identification });
      identification = (identification + 1) >>> 0;
      const records = frames.map((bytes) => frame(bytes, arrival.atUs));
      const [only] = records;
      if (records.length === 1 && only !== undefined) return only;
      return new Uint8Array(Buffer.concat(records));
    },
  };
}
