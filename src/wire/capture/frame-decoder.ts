/**
 * Which UDP datagram does a captured frame bring? Link layer, IP, fragments and UDP in turn; traffic of other kinds
 * is passed over in silence, UDP that cannot be read is a fault.
 * Sources: RFC 768 (UDP), and those named in link-layer.ts, ip-packet.ts and reassembly.ts.
 *
 * Faults beside those of ip-packet.ts and reassembly.ts: `link_type`, `link_length`, `snapped` (the snapshot length
 * cut the frame before the datagram's end) of layer capture, at the record's offset in the file; `udp_length` of
 * layer udp.
 */
import type { Endpoint } from "../../model/arrival.ts";
import type { WireFault } from "../../model/fault.ts";
import type { CaptureItem } from "./capture-item.ts";
import type { CapturedFrame } from "./captured-frame.ts";
import { udpChecksum } from "./internet-checksum.ts";
import { formatIpAddress } from "./ip-address.ts";
import { decodeIp, type IpPacket, ipProtocols, mayCarryUdp, walkExtensionHeaders } from "./ip-packet.ts";
import { findNetworkPacket } from "./link-layer.ts";
import { createReassembler } from "./reassembly.ts";

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
