/** What does a capture file hold, before anyone looks into the frames? Frames with their time, or faults of the file. */
import type { Arrival, Endpoint } from "../../model/datagram.ts";
import type { WireFault } from "../../model/fault.ts";

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

// How is a file read that arrives in pieces of any size? Octets go in at the end and whole records leave at the
// front; offsets count from the start of the file.

const initialOctets = 1 << 17;

/** A queue of octets with look-ahead. Views are valid until the next `push`. */
export class ByteQueue {
  #store = new Uint8Array(initialOctets);
  #view = new DataView(this.#store.buffer);
  #start = 0;
  #end = 0;
  #dropped = 0;

  /** Octets waiting. */
  get length(): number {
    return this.#end - this.#start;
  }

  /** Offset in the file of the first octet waiting. */
  get offset(): number {
    return this.#dropped;
  }

  push(chunk: Uint8Array): void {
    if (this.#end + chunk.length > this.#store.length) this.#makeRoom(chunk.length);
    this.#store.set(chunk, this.#end);
    this.#end += chunk.length;
  }

  #makeRoom(octets: number): void {
    const needed = this.length + octets;
    let target = this.#store;
    if (needed > target.length / 2) {
      target = new Uint8Array(Math.max(target.length * 2, needed * 2));
    }
    // `set` copes with overlap when the store stays the same.
    target.set(this.#store.subarray(this.#start, this.#end));
    this.#end = this.length;
    this.#start = 0;
    if (target !== this.#store) {
      this.#store = target;
      this.#view = new DataView(target.buffer);
    }
  }

  /** `length` octets from `at` on, fewer when fewer are there. */
  view(at: number, length: number): Uint8Array {
    const from = Math.min(this.#start + at, this.#end);
    return this.#store.subarray(from, Math.min(from + length, this.#end));
  }

  /** Position of an octet value at or after `at`; -1 when it is not there. */
  indexOf(octet: number, at: number): number {
    const found = this.view(at, this.length).indexOf(octet);
    return found < 0 ? -1 : at + found;
  }

  /** The caller has looked at `length` first. */
  u16(at: number, littleEndian: boolean): number {
    return this.#view.getUint16(this.#start + at, littleEndian);
  }

  u32(at: number, littleEndian: boolean): number {
    return this.#view.getUint32(this.#start + at, littleEndian);
  }

  /** Takes octets away from the front; at most what is there. Answers how many. */
  drop(octets: number): number {
    const taken = Math.min(octets, this.length);
    this.#start += taken;
    this.#dropped += taken;
    if (this.#start === this.#end) {
      this.#start = 0;
      this.#end = 0;
    }
    return taken;
  }
}
