/**
 * Which datagram do these fragments make? In any order, within bounded memory, by the capture's own clock.
 * Sources: RFC 791 section 3.2 and RFC 815 (IPv4), RFC 8200 section 4.5 and RFC 5722 (IPv6: overlap discards the datagram).
 *
 * Faults (layer ip): `fragment_missing` (30 s went by, or the file ended), `fragments_evicted` (too much open at
 * once), `fragment_overlap` (fragments contradict each other), `fragment_bounds`, `fragment_length`,
 * `fragment_limit` (absurdly many pieces).
 */
import type { WireFault } from "../../model/fault.ts";
import type { FragmentPlace, IpPacket } from "./ip-packet.ts";

/** RFC 791 section 3.2 proposes 15 s, RFC 8200 section 4.5 60 s; 30 s is common practice of IPv4 stacks, no source. */
export const reassemblyTimeoutUs = 30_000_000;
/** Datagrams open at once. */
const openLimit = 1024;
/** Octets held by all open datagrams, with what each piece costs beside its content. */
const octetLimit = 8 * 1024 * 1024;
const pieceOverheadOctets = 128;
/** A datagram of 65,535 octets over the smallest link of IPv4 in use, 296 octets, is 241 pieces. */
const pieceLimit = 512;
// RFC 791 section 3.1: the total length has 16 bits.
const longestDatagramOctets = 65_535;

interface Piece {
  readonly from: number;
  readonly bytes: Uint8Array;
}

interface OpenDatagram {
  readonly firstUs: number;
  readonly pieces: Piece[];
  /** Of the piece that stands first: what the rest is to be read as. */
  protocol: number;
  octets: number;
  total: number | null;
  /** Discarded: further fragments of it are swallowed until the time is up. */
  discarded: boolean;
}

export interface Reassembled {
  readonly protocol: number;
  readonly payload: Uint8Array;
}

export interface Reassembler {
  /** The whole datagram's payload when this fragment completes it, else null. */
  add(packet: IpPacket, place: FragmentPlace, atUs: number): Reassembled | null;
  /** Gives up what is older than the time-out at this moment. Cheap when nothing is open. */
  expire(atUs: number): void;
  /** Gives up everything. */
  end(): void;
  /** Octets held; never more than the limit. */
  readonly heldOctets: number;
}

/** Puts fragments together; what cannot be goes to `onLoss`, with its first octets when they came. */
export function createReassembler(
  onLoss: (fault: WireFault, atUs: number, head: Uint8Array | null, destination: Uint8Array) => void,
): Reassembler {
  /** In order of their first fragment. */
  const open = new Map<string, OpenDatagram & { readonly destination: Uint8Array }>();
  let held = 0;

  function drop(key: string): void {
    const datagram = open.get(key);
    if (datagram === undefined) return;
    held -= datagram.octets;
    open.delete(key);
  }

  function lose(key: string, reason: string, detail?: string): void {
    const datagram = open.get(key);
    if (datagram === undefined) return;
    if (!datagram.discarded) {
      const have = datagram.pieces.reduce((sum, piece) => sum + piece.bytes.length, 0);
      const need = datagram.total === null ? {} : { need: datagram.total, have };
      const head = datagram.pieces.find((piece) => piece.from === 0)?.bytes ?? null;
      const fault: WireFault = {
        reason,
        layer: "ip",
        at: 0,
        ...need,
        ...(detail === undefined ? {} : { detail }),
      };
      onLoss(fault, datagram.firstUs, head, datagram.destination);
    }
    drop(key);
  }

  /** Tells of the loss and keeps a mark, so that late fragments do not open the datagram again. */
  function discard(key: string, reason: string, detail?: string): null {
    const datagram = open.get(key);
    if (datagram === undefined || datagram.discarded) return null;
    const { firstUs, destination } = datagram;
    lose(key, reason, detail);
    held += pieceOverheadOctets;
    open.set(key, {
      firstUs,
      destination,
      pieces: [],
      protocol: 0,
      octets: pieceOverheadOctets,
      total: null,
      discarded: true,
    });
    return null;
  }

  function expire(atUs: number): void {
    for (const [key, datagram] of open) {
      // A clock that steps back far is another time-out: nothing would ever complete.
      if (Math.abs(atUs - datagram.firstUs) <= reassemblyTimeoutUs) return;
      lose(key, "fragment_missing");
    }
  }

  function makeRoom(): void {
    for (const key of open.keys()) {
      if (open.size <= openLimit && held <= octetLimit) return;
      lose(key, "fragments_evicted");
    }
  }

  return {
    get heldOctets() {
      return held;
    },
    expire,
    end() {
      for (const key of [...open.keys()]) lose(key, "fragment_missing");
    },
    add(packet, place, atUs) {
      expire(atUs);
      const key = keyOf(packet, place);
      let datagram = open.get(key);
      if (datagram === undefined) {
        datagram = {
          firstUs: atUs,
          destination: packet.destination.slice(),
          pieces: [],
          protocol: packet.protocol,
          octets: pieceOverheadOctets,
          total: null,
          discarded: false,
        };
        held += pieceOverheadOctets;
        open.set(key, datagram);
      }
      if (datagram.discarded) return null;
      const { offset, more } = place;
      const end = offset + packet.payload.length;
      // RFC 791 section 3.2 and RFC 8200 section 4.5: all but the last are multiples of 8 octets.
      if (more && (packet.payload.length % 8 !== 0 || packet.payload.length === 0)) {
        return discard(key, "fragment_length", `${packet.payload.length} octets`);
      }
      const total = more ? datagram.total : end;
      const beyond = datagram.pieces.some(
        (piece) => total !== null && piece.from + piece.bytes.length > total,
      );
      if (end > longestDatagramOctets || (total !== null && end > total) || beyond) {
        return discard(key, "fragment_bounds", `octets ${offset} to ${end}`);
      }
      if (!more && datagram.total !== null && datagram.total !== end) {
        return discard(key, "fragment_bounds", `two ends, ${datagram.total} and ${end}`);
      }
      datagram.total = total;
      const fit = fitOf(datagram.pieces, offset, packet.payload, packet.version === 6);
      if (fit === "contradicts") return discard(key, "fragment_overlap", `octets ${offset} to ${end}`);
      if (fit === "new") {
        if (datagram.pieces.length >= pieceLimit) return discard(key, "fragment_limit");
        datagram.pieces.push({ from: offset, bytes: packet.payload.slice() });
        datagram.octets += packet.payload.length + pieceOverheadOctets;
        held += packet.payload.length + pieceOverheadOctets;
        // RFC 8200 section 4.5: the next header of the first fragment counts.
        if (offset === 0) datagram.protocol = packet.protocol;
      }
      const payload = joined(datagram);
      if (payload !== null) {
        drop(key);
        return { protocol: datagram.protocol, payload };
      }
      makeRoom();
      return null;
    },
  };
}

// RFC 791 section 3.2: source, destination, protocol, identification. RFC 8200 section 4.5: the protocol takes no part.
function keyOf(packet: IpPacket, place: FragmentPlace): string {
  const protocol = packet.version === 4 ? packet.protocol : "";
  return `${packet.source.join(".")} ${packet.destination.join(".")} ${protocol} ${place.identification}`;
}

/**
 * How a fragment fits those that are there. The same fragment twice is harmless. IPv4 may be split anew on the way,
 * so an overlap that agrees is allowed; RFC 5722 forbids any in IPv6.
 */
function fitOf(
  pieces: readonly Piece[],
  from: number,
  bytes: Uint8Array,
  strict: boolean,
): "new" | "repeated" | "contradicts" {
  const end = from + bytes.length;
  for (const piece of pieces) {
    const pieceEnd = piece.from + piece.bytes.length;
    const sharedFrom = Math.max(from, piece.from);
    const sharedEnd = Math.min(end, pieceEnd);
    if (sharedFrom >= sharedEnd) continue;
    for (let at = sharedFrom; at < sharedEnd; at++) {
      if (bytes[at - from] !== piece.bytes[at - piece.from]) return "contradicts";
    }
    const same = from === piece.from && end === pieceEnd;
    if (same || (!strict && from >= piece.from && end <= pieceEnd)) return "repeated";
    if (strict) return "contradicts";
  }
  return "new";
}

/** The payload when no hole is left, else null. */
function joined(datagram: OpenDatagram): Uint8Array | null {
  const { total, pieces } = datagram;
  if (total === null) return null;
  const sorted = pieces.toSorted((a, b) => a.from - b.from);
  let reach = 0;
  for (const piece of sorted) {
    if (piece.from > reach) return null;
    reach = Math.max(reach, piece.from + piece.bytes.length);
  }
  if (reach < total) return null;
  const whole = new Uint8Array(total);
  for (const piece of sorted) whole.set(piece.bytes, piece.from);
  return whole;
}
