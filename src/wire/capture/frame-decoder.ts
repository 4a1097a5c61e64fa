/**
 * Which UDP datagram does a captured frame bring? Link layer, IP, fragments and UDP in turn; traffic of other kinds
 * is passed over in silence, UDP that cannot be read is a fault.
 * Sources: RFC 768 (UDP), and those named in frame-decoder.ts, ip-packet.ts and reassembly.ts.
 *
 * Faults beside those of ip-packet.ts and reassembly.ts: `link_type`, `link_length`, `snapped` (the snapshot length
 * cut the frame before the datagram's end) of layer capture, at the record's offset in the file; `udp_length` of
 * layer udp.
 */
import type { Endpoint } from "../../model/datagram.ts";
import type { WireFault } from "../../model/fault.ts";
import type { CapturedFrame, CaptureItem } from "./captured-frame.ts";
import {
  decodeIp,
  formatIpAddress,
  type IpPacket,
  ipProtocols,
  mayCarryUdp,
  udpChecksum,
  walkExtensionHeaders,
} from "./ip-packet.ts";
import { createReassembler } from "./reassembly.ts";

// Where in a captured frame does the IP packet begin, if there is one?
// Sources: draft-ietf-opsawg-pcaplinktype (the registry of link types and their layouts), IEEE 802.3 (Ethernet),
// IEEE 802.1Q (VLAN tags, service tags of 802.1ad included).

// draft-ietf-opsawg-pcaplinktype: LINKTYPE_ values. 12 and 14 are the DLT_RAW of most systems and of OpenBSD, which
// old files carry in place of 101.
export const linkTypes = {
  null: 0,
  ethernet: 1,
  dltRaw: 12,
  dltRawOpenBsd: 14,
  raw: 101,
  loop: 108,
  linuxCooked: 113,
  ipv4: 228,
  ipv6: 229,
  linuxCooked2: 276,
} as const;

/** What lies beneath the link layer. `short`: the frame ends before that can be known. */
export type NetworkPacket =
  | { readonly kind: "ip"; readonly at: number }
  | { readonly kind: "other" }
  | { readonly kind: "short"; readonly need: number }
  | { readonly kind: "unknown-link-type" };

// IEEE 802 numbers (IANA "EtherType"): IPv4, IPv6.
const etherTypes = { ipv4: 0x0800, ipv6: 0x86dd } as const;
// IEEE 802.1Q clause 9 (tag protocol identifiers of C-tag and S-tag); 0x9100 is common practice, no source.
const vlanTags: ReadonlySet<number> = new Set([0x8100, 0x88a8, 0x9100]);
const vlanTagOctets = 4;
/** Deeper nesting is damage, not a network (common practice, no source). */
const vlanTagLimit = 8;

// LINKTYPE_NULL and LINKTYPE_LOOP: AF_INET is 2 everywhere; AF_INET6 is 24, 28 or 30; 10, that of
// Linux, is common practice, no source.
const addressFamilies: ReadonlySet<number> = new Set([2, 10, 24, 28, 30]);

const other: NetworkPacket = { kind: "other" };

/** Finds the IP packet. Never reads beyond the frame. */
function findNetworkPacket(linkType: number, frame: Uint8Array): NetworkPacket {
  switch (linkType) {
    case linkTypes.ethernet:
      // IEEE 802.3: two addresses of 6 octets, then the type.
      return behindEtherType(frame, 12);
    case linkTypes.linuxCooked:
      // LINKTYPE_LINUX_SLL: packet type, ARPHRD, address length, address (8), protocol at octet 14.
      return behindEtherType(frame, 14);
    case linkTypes.linuxCooked2:
      // LINKTYPE_LINUX_SLL2: protocol first, 20 octets in all.
      return behindEtherType(frame, 0, 20);
    case linkTypes.null:
      return behindAddressFamily(frame, true);
    case linkTypes.loop:
      return behindAddressFamily(frame, false);
    case linkTypes.raw:
    case linkTypes.dltRaw:
    case linkTypes.dltRawOpenBsd:
    case linkTypes.ipv4:
    case linkTypes.ipv6:
      return frame.length === 0 ? { kind: "short", need: 1 } : { kind: "ip", at: 0 };
    default:
      return { kind: "unknown-link-type" };
  }
}

/** `contentAt`: where the packet begins when it is not right behind the type. */
function behindEtherType(frame: Uint8Array, typeAt: number, contentAt = typeAt + 2): NetworkPacket {
  let at = typeAt;
  let next = contentAt;
  for (let tags = 0; tags <= vlanTagLimit; tags++) {
    const high = frame[at];
    const low = frame[at + 1];
    if (high === undefined || low === undefined) return { kind: "short", need: at + 2 };
    const type = high * 256 + low;
    if (type === etherTypes.ipv4 || type === etherTypes.ipv6) {
      return frame.length > next ? { kind: "ip", at: next } : { kind: "short", need: next + 1 };
    }
    if (!vlanTags.has(type)) return other;
    // A tag is the identifier just read, 2 octets of control information, and the type of what follows.
    at = next + 2;
    next += vlanTagOctets;
  }
  return other;
}

/** LINKTYPE_NULL has the family in the byte order of the capturing machine, LINKTYPE_LOOP in network order. */
function behindAddressFamily(frame: Uint8Array, eitherOrder: boolean): NetworkPacket {
  if (frame.length < 5) return { kind: "short", need: 5 };
  const view = new DataView(frame.buffer, frame.byteOffset, 4);
  const known =
    addressFamilies.has(view.getUint32(0, false)) ||
    (eitherOrder && addressFamilies.has(view.getUint32(0, true)));
  return known ? { kind: "ip", at: 4 } : other;
}

// RFC 768: source port, destination port, length, checksum.
const udpHeaderOctets = 8;

export interface FrameFigures {
  /** Frames handed in. */
  readonly frames: number;
  /** Frames that carry something other than UDP over IP. */
  readonly otherFrames: number;
  /** Datagrams whose checksum is present and wrong. Usual where the network card computes it: they are read. */
  readonly wrongChecksums: number;
}

export interface FrameDecoder {
  decode(frame: CapturedFrame): void;
  /** Nothing follows: open fragments are given up. */
  end(): void;
  figures(): FrameFigures;
}

/** Decodes frames one by one; what they bring goes to `emit`. */
export function createFrameDecoder(emit: (item: CaptureItem) => void): FrameDecoder {
  const figures = { frames: 0, otherFrames: 0, wrongChecksums: 0 };
  const reassembler = createReassembler((fault, atUs, head, destination) =>
    emitFault(fault, atUs, head === null ? null : endpointAt(destination, head, 2)),
  );

  function emitFault(fault: WireFault, atUs: number, to: Endpoint | null = null): void {
    emit(to === null ? { kind: "fault", fault, atUs } : { kind: "fault", fault, atUs, to });
  }

  /** The frame ends too early: by the snapshot length, or by its own fault. */
  function emitShort(frame: CapturedFrame, broken: WireFault, to: Endpoint | null = null): void {
    const { bytes, originalOctets, fileOffset, atUs } = frame;
    const fault: WireFault =
      originalOctets > bytes.length
        ? { reason: "snapped", layer: "capture", at: fileOffset, need: originalOctets, have: bytes.length }
        : broken;
    emitFault(fault, atUs, to);
  }

  function readPacket(frame: CapturedFrame, packet: IpPacket): void {
    if (!mayCarryUdp(packet) && packet.protocol !== ipProtocols.fragment) {
      figures.otherFrames++;
      return;
    }
    if (packet.missing > 0) {
      const have = packet.payload.length;
      const broken: WireFault = {
        reason: "ip_length",
        layer: "ip",
        at: 0,
        need: have + packet.missing,
        have,
      };
      const isFirst = packet.fragment === null || packet.fragment.offset === 0;
      emitShort(frame, broken, isFirst ? endpointAt(packet.destination, packet.payload, 2) : null);
      return;
    }
    if (packet.fragment === null) {
      readUdp(frame.atUs, packet, packet.payload);
      return;
    }
    const whole = reassembler.add(packet, packet.fragment, frame.atUs);
    if (whole === null) return;
    if (packet.version === 4) {
      readUdp(frame.atUs, packet, whole.payload);
      return;
    }
    const walked = walkExtensionHeaders(whole.protocol, whole.payload);
    if (walked.kind === "short" || walked.fragment !== null) {
      // RFC 8200 section 4.1: a fragment header stands once.
      emitFault({ reason: "ip_length", layer: "ip", at: 0, detail: "headers inside fragments" }, frame.atUs);
    } else if (walked.protocol === ipProtocols.udp) {
      readUdp(frame.atUs, packet, walked.payload);
    } else {
      figures.otherFrames++;
    }
  }

  function readUdp(atUs: number, packet: IpPacket, bytes: Uint8Array): void {
    const from = endpointAt(packet.source, bytes, 0);
    const to = endpointAt(packet.destination, bytes, 2);
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
    if (bytes.length < udpHeaderOctets || from === null || to === null) {
      const fault: WireFault = { reason: "udp_length", layer: "udp", at: 0, need: 8, have: bytes.length };
      emitFault(fault, atUs, to);
      return;
    }
    const stated = view.getUint16(4);
    // RFC 2675 section 4: 0 where the length is left to the layer below.
    const length = stated === 0 ? bytes.length : stated;
    if (length < udpHeaderOctets || length > bytes.length) {
      emitFault({ reason: "udp_length", layer: "udp", at: 4, need: length, have: bytes.length }, atUs, to);
      return;
    }
    const datagram = bytes.subarray(0, length);
    // RFC 768: 0 says that the sender computed none.
    if (view.getUint16(6) !== 0 && udpChecksum(packet.source, packet.destination, datagram) !== 0) {
      figures.wrongChecksums++;
    }
    emit({
      kind: "datagram",
      arrival: { bytes: datagram.slice(udpHeaderOctets), atUs, from, to, door: "capture" },
    });
  }

  return {
    decode(frame) {
      figures.frames++;
      reassembler.expire(frame.atUs);
      const { linkType, bytes, fileOffset, atUs } = frame;
      const found = findNetworkPacket(linkType, bytes);
      if (found.kind === "other") {
        figures.otherFrames++;
        return;
      }
      if (found.kind === "unknown-link-type") {
        const detail = `link type ${linkType}`;
        emitFault({ reason: "link_type", layer: "capture", at: fileOffset, detail }, atUs);
        return;
      }
      if (found.kind === "short") {
        const { need } = found;
        emitShort(frame, {
          reason: "link_length",
          layer: "capture",
          at: fileOffset,
          need,
          have: bytes.length,
        });
        return;
      }
      const decoded = decodeIp(bytes.subarray(found.at));
      if (decoded.kind === "fault") emitFault(decoded.fault, atUs);
      else if (decoded.kind === "packet") readPacket(frame, decoded.packet);
      else {
        const have = bytes.length - found.at;
        emitShort(frame, { reason: "ip_length", layer: "ip", at: 0, need: decoded.need, have });
      }
    },
    end: () => reassembler.end(),
    figures: () => ({ ...figures }),
  };
}

/** An address with the port that stands at `at` of a UDP header; null when the header is not there. */
function endpointAt(address: Uint8Array, header: Uint8Array, at: number): Endpoint | null {
  const high = header[at];
  const low = header[at + 1];
  if (high === undefined || low === undefined) return null;
  return { address: formatIpAddress(address), port: high * 256 + low };
}
