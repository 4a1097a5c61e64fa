/**
 * Captures that Mastlog reads and does not write: other link layers than Ethernet, nanoseconds, big endian, frames cut
 * short, smaller packets. Without options the program's own writer.
 * Sources: draft-ietf-opsawg-pcap, sections 4 and 5, and those of src/wire/capture/frame-decoder.ts.
 */
import type { Arrival } from "../../../src/model/datagram.ts";
import { longestFrameOctets } from "../../../src/wire/capture/captured-frame.ts";
import { linkTypes } from "../../../src/wire/capture/frame-decoder.ts";
import {
  pcapFileHeaderOctets,
  pcapMagicMicroseconds,
  pcapMagicNanoseconds,
  pcapRecordHeaderOctets,
} from "../../../src/wire/capture/pcap.ts";
import {
  createPcapWriter as createOwnWriter,
  udpFrames as ethernetFrames,
  type PcapWriter,
} from "../../../src/wire/capture/pcap-writer.ts";

const ETHERNET_OCTETS = 14;

type WritableLinkType = (typeof linkTypes)[
  | "null"
  | "ethernet"
  | "raw"
  | "loop"
  | "linuxCooked"
  | "linuxCooked2"];

export interface FrameOptions {
  readonly linkType: WritableLinkType;
  readonly mtuOctets: number;
  readonly identification: number;
}

/** The frames of one datagram over a link layer, in order. */
export function udpFrames(
  arrival: Omit<Arrival, "door" | "atUs">,
  { linkType, ...options }: FrameOptions,
): Uint8Array[] {
  return ethernetFrames(arrival, options).map((frame) =>
    Buffer.concat([linkHeader(linkType, frame), frame.subarray(ETHERNET_OCTETS)]),
  );
}

/** The header of a link layer for what an Ethernet frame carries. */
function linkHeader(linkType: WritableLinkType, ethernet: Uint8Array): Uint8Array {
  const etherType = ethernet.subarray(12, ETHERNET_OCTETS);
  const source = ethernet.subarray(6, 12);
  const isVersion4 = etherType[0] === 0x08;
  switch (linkType) {
    case linkTypes.ethernet:
      return ethernet.subarray(0, ETHERNET_OCTETS);
    case linkTypes.linuxCooked:
      // To this machine (0), ARPHRD_ETHER (1), 6 octets of address in a field of 8.
      return Uint8Array.from([0, 0, 0, 1, 0, 6, ...source, 0, 0, ...etherType]);
    case linkTypes.linuxCooked2:
      // Protocol, reserved, interface 1, ARPHRD_ETHER, to this machine, address of 6 in a field of 8.
      return Uint8Array.from([...etherType, 0, 0, 0, 0, 0, 1, 0, 1, 0, 6, ...source, 0, 0]);
    case linkTypes.null:
      // In the order of the writing machine; little endian as most are. 24 is one of the numbers for IPv6.
      return Uint8Array.from([isVersion4 ? 2 : 24, 0, 0, 0]);
    case linkTypes.loop:
      return Uint8Array.from([0, 0, 0, isVersion4 ? 2 : 24]);
    case linkTypes.raw:
      return new Uint8Array(0);
  }
}

export interface PcapWriterOptions {
  readonly linkType?: WritableLinkType;
  readonly nanoseconds?: boolean;
  readonly byteOrder?: "little" | "big";
  readonly mtuOctets?: number;
  readonly snapshotOctets?: number;
}

/** A writer for one file; what is left out is as the program writes it. */
export function createPcapWriter(options: PcapWriterOptions = {}): PcapWriter {
  if (Object.keys(options).length === 0) return createOwnWriter();
  const linkType = options.linkType ?? linkTypes.ethernet;
  const nanoseconds = options.nanoseconds ?? false;
  const littleEndian = (options.byteOrder ?? "little") === "little";
  const mtuOctets = options.mtuOctets ?? 1500;
  const snapshotOctets = options.snapshotOctets ?? longestFrameOctets;
  let identification = 0;
  const header = new Uint8Array(pcapFileHeaderOctets);
  const view = new DataView(header.buffer);
  view.setUint32(0, nanoseconds ? pcapMagicNanoseconds : pcapMagicMicroseconds, littleEndian);
  view.setUint16(4, 2, littleEndian);
  view.setUint16(6, 4, littleEndian);
  view.setUint32(16, snapshotOctets, littleEndian);
  view.setUint32(20, linkType, littleEndian);

  function frame(bytes: Uint8Array, atUs: number): Uint8Array {
    const seconds = Math.floor(atUs / 1_000_000);
    if (!Number.isInteger(atUs) || seconds < 0 || seconds > 0xffff_ffff)
      throw new RangeError(`${atUs} µs is no time that a packet capture can hold`);
    const captured = bytes.subarray(0, snapshotOctets);
    const record = new Uint8Array(pcapRecordHeaderOctets + captured.length);
    const head = new DataView(record.buffer);
    head.setUint32(0, seconds, littleEndian);
    head.setUint32(4, (atUs - seconds * 1_000_000) * (nanoseconds ? 1000 : 1), littleEndian);
    head.setUint32(8, captured.length, littleEndian);
    head.setUint32(12, bytes.length, littleEndian);
    record.set(captured, pcapRecordHeaderOctets);
    return record;
  }

  return {
    header,
    frame,
    datagram(arrival) {
      const frames = udpFrames(arrival, { linkType, mtuOctets, identification });
      identification = (identification + 1) >>> 0;
      return new Uint8Array(Buffer.concat(frames.map((bytes) => frame(bytes, arrival.atUs))));
    },
  };
}
