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
