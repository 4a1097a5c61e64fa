/**
 * Which receptions are one transmission? Those of the same content, frequency and data rate whose times lie
 * close together, unless one antenna heard it twice: then its own counter shows two transmissions.
 *
 * Pure and indifferent to the order of its input, so that late and doubled datagrams change nothing.
 */
import { tmstStepUs } from "../radio/clock.ts";

/** What the grouping looks at, of one reception. All given share content, frequency and data rate. */
export interface Hearing {
  readonly id: number;
  readonly gatewayId: number;
  readonly antenna: number;
  readonly atUs: number;
  /** Concentrator counter, or a negative stand-in where none was given. */
  readonly tmstKey: number;
}

/**
 * Receptions of one transmission arrive within this time of the first one. Back-haul spreads them; a node
 * repeats no sooner than its second receive window, 2 s after the end of the first transmission
 * (LoRaWAN regional parameters, RECEIVE_DELAY2 default), so 2 s cannot join two transmissions.
 */
export const GROUPING_WINDOW_US = 2_000_000;

/** Two hearings by one antenna further apart than this on its own counter are two transmissions. Chosen: far under any airtime plus receive window, far over any counter jitter. */
const SAME_COUNTER_US = 100_000;

/** Groups hearings into transmissions, each sorted by time; the groups are sorted by their first hearing. */
export function clusterHearings(hearings: readonly Hearing[]): Hearing[][] {
  const clusters: Hearing[][] = [];
  for (const hearing of [...hearings].sort(inOrder)) {
    const home = clusters.find((cluster) => belongs(hearing, cluster));
    if (home === undefined) clusters.push([hearing]);
    else home.push(hearing);
  }
  return clusters;
}

function belongs(hearing: Hearing, cluster: readonly Hearing[]): boolean {
  const first = cluster[0];
  if (first === undefined || hearing.atUs - first.atUs > GROUPING_WINDOW_US) return false;
  return cluster.every((other) => !contradicts(hearing, other));
}

function contradicts(a: Hearing, b: Hearing): boolean {
  if (a.gatewayId !== b.gatewayId || a.tmstKey < 0 || b.tmstKey < 0) return false;
  return Math.abs(tmstStepUs(a.tmstKey, b.tmstKey)) > SAME_COUNTER_US;
}

function inOrder(a: Hearing, b: Hearing): number {
  return a.atUs - b.atUs || a.gatewayId - b.gatewayId || a.antenna - b.antenna || a.tmstKey - b.tmstKey;
}

// When are two transmissions the same frame sent again? When this number is equal.
// For data frames it covers MType, DevAddr, FCnt, FOpts, FPort, FRMPayload and the last two octets of the
// MIC: in LoRaWAN 1.1 the first two depend on channel and data rate and differ between repeats of one frame
// (LoRaWAN 1.1, section 4.4: MIC = cmacS[0..1] | cmacF[0..1]). For everything else it covers all octets.

/** Octets before the frame counter's content: MHDR 1, DevAddr 4, FCtrl 1 (LoRaWAN 1.1, section 4). */
const FCTRL_AT = 5;
const MIC_SIZE = 4;

/** A 53-bit hash of what makes the frame; a collision needs about 10^8 frames in one address and window. */
export function contentOf(phyPayload: Uint8Array, isData: boolean): number {
  const hash = new Hash53();
  if (!isData) {
    hash.addAll(phyPayload, 0, phyPayload.length);
    return hash.value();
  }
  hash.add((phyPayload[0] ?? 0) & 0xe0);
  hash.addAll(phyPayload, 1, FCTRL_AT);
  hash.addAll(phyPayload, FCTRL_AT + 1, phyPayload.length - MIC_SIZE);
  hash.addAll(phyPayload, phyPayload.length - 2, phyPayload.length);
  return hash.value();
}

/** The same hash over arbitrary octets: recognises a datagram or payload that was seen before. */
export function digestOf(bytes: Uint8Array): number {
  const hash = new Hash53();
  hash.addAll(bytes, 0, bytes.length);
  return hash.value();
}

/**
 * Two multiply-and-xor lanes of 32 bits, mixed at the end into 53 bits: the public-domain construction known
 * as cyrb53 (from memory). Not cryptographic: nobody gains by forging a repeat of his own frame.
 */
class Hash53 {
  #a = 0xdeadbeef;
  #b = 0x41c6ce57;

  add(octet: number): void {
    this.#a = Math.imul(this.#a ^ octet, 2654435761);
    this.#b = Math.imul(this.#b ^ octet, 1597334677);
  }

  addAll(bytes: Uint8Array, from: number, to: number): void {
    let a = this.#a;
    let b = this.#b;
    for (let i = from; i < to; i++) {
      const octet = bytes[i] ?? 0;
      a = Math.imul(a ^ octet, 2654435761);
      b = Math.imul(b ^ octet, 1597334677);
    }
    this.#a = a;
    this.#b = b;
  }

  value(): number {
    let a = this.#a;
    let b = this.#b;
    a = Math.imul(a ^ (a >>> 16), 2246822507) ^ Math.imul(b ^ (b >>> 13), 3266489909);
    b = Math.imul(b ^ (b >>> 16), 2246822507) ^ Math.imul(a ^ (a >>> 13), 3266489909);
    return 4294967296 * (2097151 & b) + (a >>> 0);
  }
}

// Is a reception a ghost? A strong node close by is decoded a second time on another channel, at the same
// moment and far weaker. Published example: 868.3 MHz at -35 dBm and 867.3 MHz at -100 dBm, 2 µs apart, the
// same payload (public issue 48 of the SX1302 reference daemon). Counted as packets, ghosts would falsify
// channel use and signal trends.

export interface GhostEvidence {
  readonly frequencyHz: number | null;
  readonly tmstKey: number;
  readonly rssiTenths: number | null;
}

/** A ghost stands within this time of its original on the counter of the same gateway. */
export const GHOST_SPAN_US = 5_000;

/** "Far weaker". Common practice, no source; the published pair differs by 65 dB. */
const FAR_WEAKER_TENTHS = 200;

/** Which of two receptions of one payload at one gateway is the other's ghost; null when neither is. */
export function ghostOf(a: GhostEvidence, b: GhostEvidence): "a" | "b" | null {
  if (a.frequencyHz === b.frequencyHz || a.frequencyHz === null || b.frequencyHz === null) return null;
  if (a.tmstKey < 0 || b.tmstKey < 0 || Math.abs(a.tmstKey - b.tmstKey) > GHOST_SPAN_US) return null;
  if (a.rssiTenths === null || b.rssiTenths === null) return null;
  const difference = a.rssiTenths - b.rssiTenths;
  if (difference <= -FAR_WEAKER_TENTHS) return "a";
  return difference >= FAR_WEAKER_TENTHS ? "b" : null;
}
