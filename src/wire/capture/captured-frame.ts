/** What does a capture file hold, before anyone looks into the frames? Frames with their time, or faults of the file. */

import type { Arrival, Endpoint } from "../../model/datagram.ts";
import type { WireFault } from "../../model/fault.ts";
import type { ByteQueue } from "./byte-queue.ts";

/** One frame as captured. `bytes` is a view that is valid during the call that hands it over. */
export interface CapturedFrame {
  /** Link-layer type of draft-ietf-opsawg-pcaplinktype. */
  readonly linkType: number;
  /** Microseconds since 1970. */
  readonly atUs: number;
  readonly bytes: Uint8Array;
  /** Octets that the frame had before the snapshot length cut it. */
  readonly originalOctets: number;
  /** Offset of the record in the (decompressed) file. */
  readonly fileOffset: number;
}

/** Where a reader of files leaves what it found. */
export interface FrameSink {
  frame(frame: CapturedFrame): void;
  /** `atUs` is null when no time is known for the place of the damage. */
  fault(fault: WireFault, atUs: number | null): void;
}

/** Reads whole records from the front of the queue and leaves the rest there. */
export interface FrameReader {
  /** `ended`: nothing will follow, so a rest that is no whole record is a fault. */
  read(queue: ByteQueue, sink: FrameSink, ended: boolean): void;
}

/**
 * Longest frame that is believed. Source: MAXIMUM_SNAPLEN of libpcap, 262,144 octets (from memory); an IP packet
 * cannot exceed 65,535 octets.
 */
export const longestFrameOctets = 262_144;

// What does reading a capture give, in the order of the file? Datagrams, and what could not be read.

export type CaptureItem =
  | { readonly kind: "datagram"; readonly arrival: Arrival }
  | {
      readonly kind: "fault";
      readonly fault: WireFault;
      /** Microseconds since 1970; null where no time is known. */
      readonly atUs: number | null;
      /** Where the datagram was going, when that much of it could be read. */
      readonly to?: Endpoint;
    };
