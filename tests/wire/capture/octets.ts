/** How are files and packets for tests put together octet by octet, and read? Shared by the tests of captures. */

import type { Arrival } from "../../../src/model/datagram.ts";
import {
  type CaptureItem,
  createCaptureDecoder,
  createServerPortFinder,
} from "../../../src/wire/capture/capture-decoder.ts";

/** Octets from hexadecimal text; white space is for the eye. */
export function hex(text: string): Uint8Array {
  return new Uint8Array(Buffer.from(text.replace(/\s+/g, ""), "hex"));
}

export function joined(...parts: readonly Uint8Array[]): Uint8Array {
  return new Uint8Array(Buffer.concat(parts));
}

/** 1 March 2026, 06:00:00.000123 UTC. */
export const someTimeUs = 1_772_344_800_000_123;

export function arrival(change: Partial<Arrival> = {}): Arrival {
  return {
    bytes: hex("02 1234 02 02005E1000000001"),
    atUs: someTimeUs,
    from: { address: "192.0.2.10", port: 40_123 },
    to: { address: "192.0.2.1", port: 1700 },
    door: "capture",
    ...change,
  };
}

/** Reads a whole file, handed over in pieces of a size. */
export function read(file: Uint8Array, pieceOctets = file.length || 1): CaptureItem[] {
  const decoder = createCaptureDecoder();
  const items: CaptureItem[] = [];
  for (let at = 0; at < file.length; at += pieceOctets) {
    items.push(...decoder.push(file.subarray(at, at + pieceOctets)));
  }
  return [...items, ...decoder.end()];
}

export function arrivalsOf(items: readonly CaptureItem[]): Arrival[] {
  return items.flatMap((item) => (item.kind === "datagram" ? [item.arrival] : []));
}

export function reasonsOf(items: readonly CaptureItem[]): string[] {
  return items.flatMap((item) => (item.kind === "fault" ? [item.fault.reason] : []));
}

/** A pcap file of raw frames, little endian, microseconds, one frame a millisecond unless times are given. */
export function pcapOf(
  linkType: number,
  frames: readonly Uint8Array[],
  timesUs: readonly number[] = [],
): Uint8Array {
  const header = Buffer.alloc(24);
  header.writeUInt32LE(0xa1b2c3d4, 0);
  header.writeUInt16LE(2, 4);
  header.writeUInt16LE(4, 6);
  header.writeUInt32LE(262_144, 16);
  header.writeUInt32LE(linkType, 20);
  const records = frames.map((frame, index) => {
    const atUs = timesUs[index] ?? someTimeUs + index * 1000;
    const record = Buffer.alloc(16);
    record.writeUInt32LE(Math.floor(atUs / 1_000_000), 0);
    record.writeUInt32LE(atUs % 1_000_000, 4);
    record.writeUInt32LE(frame.length, 8);
    record.writeUInt32LE(frame.length, 12);
    return Buffer.concat([record, frame]);
  });
  return new Uint8Array(Buffer.concat([header, ...records]));
}

/** The server ports of a list of datagrams, the busiest first. */
export function recogniseServerPorts(arrivals: Iterable<Arrival>): number[] {
  const finder = createServerPortFinder();
  for (const arrival of arrivals) finder.observe(arrival);
  return finder.ports();
}
