/**
 * How are datagrams written as a packet capture that other tools read?
 * Source: draft-ietf-opsawg-pcap, sections 4 (file header) and 5 (packet record).
 */
import type { Arrival, Endpoint } from "../../model/datagram.ts";
import { joinOctets } from "../lorawan/octets.ts";
import { longestFrameOctets } from "./captured-frame.ts";
import { linkTypes } from "./frame-decoder.ts";
import { addWords, checksumOf, ipProtocols, parseIpAddress, udpChecksum } from "./ip-packet.ts";
import { pcapFileHeaderOctets, pcapMagicMicroseconds, pcapRecordHeaderOctets } from "./pcap.ts";

// Which frames carry this datagram? Link layer, IP and UDP with right lengths and checksums, split into fragments
// where it does not fit one frame.
// Sources: RFC 768, RFC 791 sections 3.1 and 3.2, RFC 8200 sections 3, 4.5 and 8.1, and those of frame-decoder.ts.

export interface FrameOptions {
  /** Longest IP packet, octets. IEEE 802.3: 1500 on Ethernet. */
  readonly mtuOctets: number;
  /** Ties the fragments of one datagram together; 16 bits are used in IPv4, 32 in IPv6. */
  readonly identification: number;
}

// RFC 791 section 3.1 and RFC 768: 16-bit lengths. The IPv6 limit is the payload length without a jumbogram.
const longestPayloadOctets = { 4: 65_535 - 20 - 8, 6: 65_535 - 8 - 8 } as const;
const hopLimit = 64;

/**
 * The frames of one datagram, in order. Throws a RangeError for an address that is none, a port beyond 16 bits, or
 * more octets than UDP can carry.
 */
export function udpFrames(arrival: Omit<Arrival, "door" | "atUs">, options: FrameOptions): Uint8Array[] {
  const ends = sameFamily(addressOf(arrival.from), addressOf(arrival.to));
  const version = ends.source.length === 4 ? 4 : 6;
  if (arrival.bytes.length > longestPayloadOctets[version]) {
    throw new RangeError(`${arrival.bytes.length} octets do not fit a UDP datagram`);
  }
  const link = linkHeaders[version];
  const { length } = arrival.bytes;
  const headOctets = link.length + (version === 4 ? 20 : 40);
  if (headOctets - link.length + 8 + length <= options.mtuOctets) {
    // One frame, written in place: captures of a million datagrams are written this way.
    const frame = Buffer.allocUnsafe(headOctets + 8 + length);
    frame.set(link);
    if (version === 4) putIpv4Head(frame, link.length, ends, 8 + length, 0, options);
    else putIpv6Head(frame, link.length, ends, 8 + length, ipProtocols.udp);
    putUdp(frame.subarray(headOctets), arrival, ends);
    return [frame];
  }
  const datagram = Buffer.allocUnsafe(8 + length);
  putUdp(datagram, arrival, ends);
  const packets = version === 4 ? ipv4Packets(ends, datagram, options) : ipv6Packets(ends, datagram, options);
  return packets.map((packet) => joinOctets(link, packet));
}

/** Both addresses, of one family. */
interface Ends {
  readonly source: Uint8Array;
  readonly destination: Uint8Array;
}

function putUdp(
  datagram: Buffer,
  arrival: Pick<Arrival, "bytes" | "from" | "to">,
  { source, destination }: Ends,
): void {
  datagram.writeUInt16BE(portOf(arrival.from), 0);
  datagram.writeUInt16BE(portOf(arrival.to), 2);
  datagram.writeUInt16BE(datagram.length, 4);
  datagram.writeUInt16BE(0, 6);
  datagram.set(arrival.bytes, 8);
  const checksum = udpChecksum(source, destination, datagram);
  // RFC 768: a computed 0 is sent as all ones, as 0 says that there is none.
  datagram.writeUInt16BE(checksum === 0 ? 0xffff : checksum, 6);
}

/** `flags`: fragment flags and offset. */
function putIpv4Head(
  octets: Buffer,
  at: number,
  { source, destination }: Ends,
  payloadOctets: number,
  flags: number,
  { identification }: FrameOptions,
): void {
  octets.fill(0, at, at + 20);
  octets.writeUInt8(0x45, at);
  octets.writeUInt16BE(20 + payloadOctets, at + 2);
  octets.writeUInt16BE(identification & 0xffff, at + 4);
  octets.writeUInt16BE(flags, at + 6);
  octets.writeUInt8(hopLimit, at + 8);
  octets.writeUInt8(ipProtocols.udp, at + 9);
  octets.set(source, at + 12);
  octets.set(destination, at + 16);
  octets.writeUInt16BE(checksumOf(addWords(0, octets.subarray(at, at + 20))), at + 10);
}

function putIpv6Head(
  octets: Buffer,
  at: number,
  { source, destination }: Ends,
  payloadOctets: number,
  next: number,
): void {
  octets.fill(0, at, at + 8);
  octets.writeUInt8(0x60, at);
  octets.writeUInt16BE(payloadOctets, at + 4);
  octets.writeUInt8(next, at + 6);
  octets.writeUInt8(hopLimit, at + 7);
  octets.set(source, at + 8);
  octets.set(destination, at + 24);
}

function ipv4Packets(ends: Ends, datagram: Uint8Array, options: FrameOptions): Uint8Array[] {
  return pieces(datagram, options.mtuOctets - 20).map(({ offset, bytes, more }) => {
    const packet = Buffer.allocUnsafe(20 + bytes.length);
    const flags = (more ? 0x2000 : 0) | (offset / 8);
    putIpv4Head(packet, 0, ends, bytes.length, flags, options);
    packet.set(bytes, 20);
    return packet;
  });
}

function ipv6Packets(ends: Ends, datagram: Uint8Array, options: FrameOptions): Uint8Array[] {
  return pieces(datagram, options.mtuOctets - 48).map(({ offset, bytes, more }) => {
    const fragment = new Uint8Array(8);
    const view = new DataView(fragment.buffer);
    view.setUint8(0, ipProtocols.udp);
    view.setUint16(2, offset | (more ? 1 : 0));
    view.setUint32(4, options.identification >>> 0);
    const head = Buffer.allocUnsafe(40);
    putIpv6Head(head, 0, ends, 8 + bytes.length, ipProtocols.fragment);
    return joinOctets(head, fragment, bytes);
  });
}

/** Splits at multiples of 8 octets, as both versions of IP demand. */
function pieces(
  datagram: Uint8Array,
  roomOctets: number,
): { readonly offset: number; readonly bytes: Uint8Array; readonly more: boolean }[] {
  const step = Math.max(8, roomOctets & ~7);
  const list: { offset: number; bytes: Uint8Array; more: boolean }[] = [];
  for (let offset = 0; offset < datagram.length; offset += step) {
    const bytes = datagram.subarray(offset, offset + step);
    list.push({ offset, bytes, more: offset + step < datagram.length });
  }
  return list;
}

// Locally administered addresses (IEEE 802: second-least significant bit of the first octet), invented.
const macAddresses = [0x02, 0, 0, 0, 0, 0x02, 0x02, 0, 0, 0, 0, 0x01];
/** Ethernet, by the version of IP. Not to be changed. */
const linkHeaders = {
  4: Uint8Array.from([...macAddresses, 0x08, 0x00]),
  6: Uint8Array.from([...macAddresses, 0x86, 0xdd]),
} as const;

/** Few addresses stand in very many datagrams. */
const parsedAddresses = new Map<string, Uint8Array>();
const MAX_PARSED = 256;

function addressOf({ address }: Endpoint): Uint8Array {
  const known = parsedAddresses.get(address);
  if (known !== undefined) return known;
  const octets = parseIpAddress(address);
  if (octets === null) throw new RangeError(`"${address}" is no IP address`);
  if (parsedAddresses.size >= MAX_PARSED) parsedAddresses.clear();
  parsedAddresses.set(address, octets);
  return octets;
}

function portOf(endpoint: Endpoint): number {
  const { port } = endpoint;
  if (!Number.isInteger(port) || port < 0 || port > 65_535) throw new RangeError(`${port} is no port`);
  return port;
}

/** IPv4 beside IPv6 is written as an IPv4-mapped address (RFC 4291 section 2.5.5.2). */
function sameFamily(source: Uint8Array, destination: Uint8Array): Ends {
  if (source.length === destination.length) return { source, destination };
  return { source: mapped(source), destination: mapped(destination) };
}

function mapped(address: Uint8Array): Uint8Array {
  if (address.length === 16) return address;
  return Uint8Array.from([0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xff, 0xff, ...address]);
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

/** IEEE 802.3: longest IP packet on Ethernet, octets. */
const mtuOctets = 1500;

/** A writer for one file: Ethernet, microseconds, little endian. The same calls give the same octets. */
export function createPcapWriter(): PcapWriter {
  let identification = 0;
  return {
    header: fileHeader(),
    frame: record,
    datagram(arrival) {
      const frames = udpFrames(arrival, { mtuOctets, identification });
      identification = (identification + 1) >>> 0;
      const records = frames.map((bytes) => record(bytes, arrival.atUs));
      const [only] = records;
      if (records.length === 1 && only !== undefined) return only;
      return new Uint8Array(Buffer.concat(records));
    },
  };
}

function fileHeader(): Uint8Array {
  const octets = new Uint8Array(pcapFileHeaderOctets);
  const view = new DataView(octets.buffer);
  view.setUint32(0, pcapMagicMicroseconds, true);
  view.setUint16(4, 2, true);
  view.setUint16(6, 4, true);
  view.setUint32(16, longestFrameOctets, true);
  view.setUint32(20, linkTypes.ethernet, true);
  return octets;
}

function record(bytes: Uint8Array, atUs: number): Uint8Array {
  const seconds = Math.floor(atUs / 1_000_000);
  if (!Number.isInteger(atUs) || seconds < 0 || seconds > longestSeconds) {
    throw new RangeError(`${atUs} µs is no time that a packet capture can hold`);
  }
  const captured = Math.min(bytes.length, longestFrameOctets);
  const octets = Buffer.allocUnsafe(pcapRecordHeaderOctets + captured);
  octets.writeUInt32LE(seconds, 0);
  octets.writeUInt32LE(atUs - seconds * 1_000_000, 4);
  octets.writeUInt32LE(captured, 8);
  octets.writeUInt32LE(bytes.length, 12);
  octets.set(captured < bytes.length ? bytes.subarray(0, captured) : bytes, pcapRecordHeaderOctets);
  return octets;
}
