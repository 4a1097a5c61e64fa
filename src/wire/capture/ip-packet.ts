/**
 * What does an IP packet carry: from whom, to whom, and is it one fragment of something longer?
 * Sources: RFC 791 section 3.1 (IPv4 header), RFC 8200 sections 3 and 4 (IPv6 header and extension headers),
 * RFC 4302 section 2.2 (length of the authentication header).
 */
import type { WireFault } from "../../model/fault.ts";

// IANA "Assigned Internet Protocol Numbers".
export const ipProtocols = {
  hopByHop: 0,
  udp: 17,
  routing: 43,
  fragment: 44,
  authentication: 51,
  destinationOptions: 60,
  mobility: 135,
  hostIdentity: 139,
  shim6: 140,
} as const;

/** Place of a fragment in its datagram. */
export interface FragmentPlace {
  readonly identification: number;
  /** Octets. */
  readonly offset: number;
  readonly more: boolean;
}

/** An IP packet. Addresses and payload are views of the frame. */
export interface IpPacket {
  readonly version: 4 | 6;
  readonly source: Uint8Array;
  readonly destination: Uint8Array;
  /** Protocol of the payload; of a fragment, that of the whole datagram's payload. */
  readonly protocol: number;
  /** As much of the payload as the frame holds. */
  readonly payload: Uint8Array;
  /** Octets of the payload that the frame does not hold. */
  readonly missing: number;
  readonly fragment: FragmentPlace | null;
}

/** `short`: the frame ends before the headers do. */
export type IpDecoding =
  | { readonly kind: "packet"; readonly packet: IpPacket }
  | { readonly kind: "short"; readonly need: number }
  | { readonly kind: "fault"; readonly fault: WireFault };

/** Reads the headers of one packet. Faults (layer ip): `ip_version`, `ip_length`. */
export function decodeIp(bytes: Uint8Array): IpDecoding {
  const first = bytes[0];
  if (first === undefined) return { kind: "short", need: 1 };
  if (first >> 4 === 4) return decodeIpv4(bytes, first);
  if (first >> 4 === 6) return decodeIpv6(bytes);
  return {
    kind: "fault",
    fault: { reason: "ip_version", layer: "ip", at: 0, detail: `version ${first >> 4}` },
  };
}

function decodeIpv4(bytes: Uint8Array, first: number): IpDecoding {
  const headerOctets = (first & 0x0f) * 4;
  if (headerOctets < 20) return lengthFault(0, 20, headerOctets);
  if (bytes.length < headerOctets) return { kind: "short", need: headerOctets };
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const stated = view.getUint16(2);
  // A sending machine whose network card cuts packets shows 0 here (common practice, no source).
  const totalOctets = stated === 0 ? bytes.length : stated;
  if (totalOctets < headerOctets) return lengthFault(2, headerOctets, totalOctets);
  const flagsAndOffset = view.getUint16(6);
  // RFC 791 section 3.1: bit 13 "more fragments", 13 bits of offset in units of 8 octets.
  const more = (flagsAndOffset & 0x2000) !== 0;
  const offset = (flagsAndOffset & 0x1fff) * 8;
  const payload = bytes.subarray(headerOctets, totalOctets);
  return {
    kind: "packet",
    packet: {
      version: 4,
      source: bytes.subarray(12, 16),
      destination: bytes.subarray(16, 20),
      protocol: view.getUint8(9),
      payload,
      missing: totalOctets - headerOctets - payload.length,
      fragment: more || offset > 0 ? { identification: view.getUint16(4), offset, more } : null,
    },
  };
}

function decodeIpv6(bytes: Uint8Array): IpDecoding {
  if (bytes.length < 40) return { kind: "short", need: 40 };
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const stated = view.getUint16(4);
  // 0: a jumbogram (RFC 2675), or left to the network card; the frame's own length is all there is.
  const end = stated === 0 ? bytes.length : 40 + stated;
  const walked = walkExtensionHeaders(view.getUint8(6), bytes.subarray(40, end));
  if (walked.kind === "short") {
    return bytes.length < end
      ? { kind: "short", need: 40 + walked.need }
      : lengthFault(4, walked.need, end - 40);
  }
  return {
    kind: "packet",
    packet: {
      version: 6,
      source: bytes.subarray(8, 24),
      destination: bytes.subarray(24, 40),
      protocol: walked.protocol,
      payload: walked.payload,
      missing: Math.max(0, end - bytes.length),
      fragment: walked.fragment,
    },
  };
}

export type ExtensionWalk =
  | {
      readonly kind: "payload";
      readonly protocol: number;
      readonly payload: Uint8Array;
      readonly fragment: FragmentPlace | null;
    }
  | { readonly kind: "short"; readonly need: number };

/**
 * Goes along the extension headers of RFC 8200 section 4 to the first header that is none, or to a fragment header
 * that splits the packet. Also used on what was put together from fragments.
 */
export function walkExtensionHeaders(firstHeader: number, bytes: Uint8Array): ExtensionWalk {
  let header = firstHeader;
  let at = 0;
  for (;;) {
    const isFragment = header === ipProtocols.fragment;
    if (!isFragment && !isSkippable(header)) {
      return { kind: "payload", protocol: header, payload: bytes.subarray(at), fragment: null };
    }
    const next = bytes[at];
    const length = bytes[at + 1];
    if (next === undefined || length === undefined) return { kind: "short", need: at + 2 };
    // RFC 8200 section 4.5: always 8 octets. RFC 4302 section 2.2: 4-octet units minus 2. Otherwise 8-octet units
    // without the first.
    let octets = length * 8 + 8;
    if (isFragment) octets = 8;
    else if (header === ipProtocols.authentication) octets = (length + 2) * 4;
    if (bytes.length < at + octets) return { kind: "short", need: at + octets };
    if (isFragment) {
      const view = new DataView(bytes.buffer, bytes.byteOffset + at, 8);
      const offsetAndFlag = view.getUint16(2);
      const place = {
        identification: view.getUint32(4),
        offset: offsetAndFlag & 0xfff8,
        more: (offsetAndFlag & 1) !== 0,
      };
      // RFC 6946: a fragment that is the whole packet stands for itself.
      if (place.more || place.offset > 0) {
        return { kind: "payload", protocol: next, payload: bytes.subarray(at + 8), fragment: place };
      }
    }
    at += octets;
    header = next;
  }
}

function isSkippable(header: number): boolean {
  return (
    header === ipProtocols.hopByHop ||
    header === ipProtocols.routing ||
    header === ipProtocols.destinationOptions ||
    header === ipProtocols.authentication ||
    header === ipProtocols.mobility ||
    header === ipProtocols.hostIdentity ||
    header === ipProtocols.shim6
  );
}

/** Whether a datagram with this protocol number can turn out to be UDP. */
export function mayCarryUdp(packet: Pick<IpPacket, "version" | "protocol">): boolean {
  return packet.protocol === ipProtocols.udp || (packet.version === 6 && isSkippable(packet.protocol));
}

function lengthFault(at: number, need: number, have: number): IpDecoding {
  return { kind: "fault", fault: { reason: "ip_length", layer: "ip", at, need, have } };
}

// How is an IP address written as text and as octets? Sources: RFC 4291 section 2.2, RFC 5952 sections 4 and 5.

/** `192.0.2.1`, or IPv6 in the one form of RFC 5952. */
export function formatIpAddress(octets: Uint8Array): string {
  return octets.length === 4 ? octets.join(".") : formatIpv6(octets);
}

function formatIpv6(octets: Uint8Array): string {
  const groups: number[] = [];
  for (let at = 0; at < 16; at += 2) groups.push((octets[at] ?? 0) * 256 + (octets[at + 1] ?? 0));
  // RFC 5952 section 5: an IPv4-mapped address shows the IPv4 address.
  if (groups.slice(0, 5).every((group) => group === 0) && groups[5] === 0xffff) {
    return `::ffff:${octets.subarray(12).join(".")}`;
  }
  // RFC 5952 section 4.2: the longest run of at least two zero groups, the first of equals, becomes "::".
  let longestAt = 0;
  let longest = 1;
  for (let from = 0; from < 8; from++) {
    let to = from;
    while (to < 8 && groups[to] === 0) to++;
    if (to - from > longest) {
      longestAt = from;
      longest = to - from;
    }
  }
  const text = (list: readonly number[]): string => list.map((group) => group.toString(16)).join(":");
  if (longest === 1) return text(groups);
  return `${text(groups.slice(0, longestAt))}::${text(groups.slice(longestAt + longest))}`;
}

/** 4 or 16 octets; null when the text is no address. A zone (`%eth0`) is left out: it means nothing elsewhere. */
export function parseIpAddress(text: string): Uint8Array | null {
  const address = text.split("%", 1)[0] ?? "";
  return address.includes(":") ? parseIpv6(address) : parseIpv4(address);
}

function parseIpv4(text: string): Uint8Array | null {
  const parts = text.split(".");
  if (parts.length !== 4 || !parts.every((part) => /^\d{1,3}$/.test(part) && Number(part) <= 255))
    return null;
  return Uint8Array.from(parts, Number);
}

function parseIpv6(text: string): Uint8Array | null {
  const sides = text.split("::");
  if (sides.length > 2) return null;
  const head = groupsOf(sides[0] ?? "");
  const tail = sides.length === 2 ? groupsOf(sides[1] ?? "") : [];
  if (head === null || tail === null) return null;
  const given = head.length + tail.length;
  if (sides.length === 2 ? given > 7 : given !== 8) return null;
  const groups = [...head, ...Array.from({ length: 8 - given }, () => 0), ...tail];
  return Uint8Array.from(groups.flatMap((group) => [group >> 8, group & 0xff]));
}

/** Groups of 16 bits; the last may be written as an IPv4 address (RFC 4291 section 2.2, form 3). */
function groupsOf(text: string): number[] | null {
  if (text === "") return [];
  const groups: number[] = [];
  const parts = text.split(":");
  for (const [index, part] of parts.entries()) {
    if (index === parts.length - 1 && part.includes(".")) {
      const octets = parseIpv4(part);
      if (octets === null) return null;
      const [a = 0, b = 0, c = 0, d = 0] = octets;
      groups.push(a * 256 + b, c * 256 + d);
    } else if (/^[0-9a-f]{1,4}$/i.test(part)) {
      groups.push(Number.parseInt(part, 16));
    } else {
      return null;
    }
  }
  return groups;
}

// Is a header or datagram as it was sent? The ones' complement sum of RFC 1071.

/** Running sum of 16-bit words, an odd last octet padded with zero. Octets of several calls must be even but for the last. */
export function addWords(sum: number, octets: Uint8Array): number {
  let total = sum;
  const even = octets.length & ~1;
  for (let at = 0; at < even; at += 2) total += ((octets[at] ?? 0) << 8) | (octets[at + 1] ?? 0);
  if (even < octets.length) total += (octets[even] ?? 0) << 8;
  return total;
}

/** The 16-bit checksum of a running sum. */
export function checksumOf(sum: number): number {
  let folded = sum;
  while (folded > 0xffff) folded = (folded & 0xffff) + Math.floor(folded / 0x10000);
  return ~folded & 0xffff;
}

/**
 * Checksum of a UDP datagram with its pseudo-header (RFC 768; RFC 8200 section 8.1); the datagram's own checksum
 * field takes part. 0 when a received datagram is right.
 */
export function udpChecksum(source: Uint8Array, destination: Uint8Array, datagram: Uint8Array): number {
  // Protocol 17 and the UDP length, the same sum in both pseudo-headers.
  return checksumOf(addWords(addWords(addWords(17 + datagram.length, source), destination), datagram));
}
