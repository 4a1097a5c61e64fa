/**
 * Which receptions of one gateway could be another delivery, a ghost, or another antenna of one that comes in? All of
 * these have its payload and, within a few milliseconds, its counter: they are found by both, however many others
 * there are.
 */

import { MAX_PATH_DELAY_US } from "../../ledger/concentrator-time.ts";
import { digestOf, GHOST_SPAN_US } from "../../ledger/group-receptions.ts";

/**
 * The same counter at the same gateway within this time of arrival is the same moment. What is later than that is not
 * dated back either; the counter itself wraps after 71.6 minutes.
 */
export const SAME_MOMENT_US = MAX_PATH_DELAY_US;
/** Without a counter only arrival tells the moment. A node sends again no sooner than its first receive window, 1 s after (LoRaWAN regional parameters, RECEIVE_DELAY1). */
const SAME_WITHOUT_COUNTER_US = 1_000_000;
/** Copies of one payload within some milliseconds that are looked at: 8 channels, 8 antennas; no gateway has more. Chosen. */
const MAX_ALIKE = 64;

/** A stored reception, as far as the next ones need it. */
export interface Remembered {
  readonly id: number;
  /** The earliest arrival of its deliveries. */
  arrivedUs: number;
  readonly tmstKey: number;
  readonly frequencyHz: number | null;
  readonly antenna: number;
  readonly rssiTenths: number | null;
  readonly payload: Uint8Array | null;
  /** See payloadDigest. */
  readonly digest: number;
  ghost: boolean;
  further: boolean;
}

/** A reception that is looked for. */
export type Sought = Pick<
  Remembered,
  "arrivedUs" | "tmstKey" | "frequencyHz" | "antenna" | "rssiTenths" | "payload" | "digest"
>;

/** A row of the table as it is remembered. */
export interface RememberedRow extends Omit<Remembered, "ghost" | "further" | "digest"> {
  readonly ghost: number;
  readonly further: number;
}

export function rememberedOf(row: RememberedRow): Remembered {
  const { payload } = row;
  return { ...row, digest: payloadDigest(payload), ghost: row.ghost === 1, further: row.further === 1 };
}

/** 32 bits by which equal payloads are found. */
export function payloadDigest(payload: Uint8Array | null): number {
  return payload === null ? 0 : digestOf(payload) % DIGESTS;
}

const DIGESTS = 2 ** 32;

export class ReceptionMemory {
  readonly #alike = new Map<number, Remembered[]>();
  /** In the order in which they came; those before `#from` are forgotten. */
  #all: Remembered[] = [];
  #from = 0;

  get size(): number {
    return this.#all.length - this.#from;
  }

  add(one: Remembered): void {
    this.#all.push(one);
    const key = keyOf(one.digest, cellOf(one.tmstKey));
    const alike = this.#alike.get(key);
    if (alike === undefined) this.#alike.set(key, [one]);
    else {
      alike.push(one);
      if (alike.length > MAX_ALIKE) alike.shift();
    }
  }

  /** Receptions of the same payload at the same moment, the sought one's other deliveries among them. */
  alike(sought: Sought): Remembered[] {
    const { tmstKey, arrivedUs, payload, digest } = sought;
    // A stand-in for a missing counter is the same number or another one: no nearness in it.
    const span = tmstKey < 0 ? 0 : GHOST_SPAN_US;
    const reachUs = tmstKey < 0 ? SAME_WITHOUT_COUNTER_US : SAME_MOMENT_US;
    const found: Remembered[] = [];
    const last = cellOf(tmstKey + span);
    for (let cell = cellOf(tmstKey - span); cell <= last; cell++) {
      for (const other of this.#alike.get(keyOf(digest, cell)) ?? NONE) {
        if (Math.abs(other.tmstKey - tmstKey) > span) continue;
        if (Math.abs(other.arrivedUs - arrivedUs) > reachUs) continue;
        if (samePayload(other.payload, payload)) found.push(other);
      }
    }
    return found;
  }

  /** Forgets, oldest first, what arrived before a moment, and what is more than `max`. */
  trim(beforeUs: number, max: number, onForgotten?: (one: Remembered) => void): void {
    for (;;) {
      const oldest = this.#all[this.#from];
      if (oldest === undefined || (oldest.arrivedUs >= beforeUs && this.size <= max)) break;
      this.#from += 1;
      this.#remove(oldest);
      onForgotten?.(oldest);
    }
    if (this.#from > 1_000 && this.#from * 2 > this.#all.length) {
      this.#all = this.#all.slice(this.#from);
      this.#from = 0;
    }
  }

  #remove(one: Remembered): void {
    const key = keyOf(one.digest, cellOf(one.tmstKey));
    const alike = this.#alike.get(key);
    if (alike === undefined) return;
    const at = alike.indexOf(one);
    if (at >= 0) alike.splice(at, 1);
    if (alike.length === 0) this.#alike.delete(key);
  }
}

/** The length to which all lengths above it are cut so that their sum is at most `most`: a whole number, 0 or more; infinite where nothing is cut. */
export function commonLength(lengths: readonly number[], most: number): number {
  const sorted = [...lengths].sort((a, b) => a - b);
  let left = most;
  for (const [index, length] of sorted.entries()) {
    const share = left / (sorted.length - index);
    if (length > share) return Math.floor(share);
    left -= length;
  }
  return Number.POSITIVE_INFINITY;
}

/** Another delivery of the same reception. */
export function isSame(other: Sought, one: Sought): boolean {
  return (
    other.tmstKey === one.tmstKey && other.antenna === one.antenna && other.frequencyHz === one.frequencyHz
  );
}

/** The same packet at the same moment, by another antenna: in one datagram or in two. */
export function isOtherAntenna(other: Sought, one: Sought): boolean {
  return (
    other.tmstKey === one.tmstKey && other.antenna !== one.antenna && other.frequencyHz === one.frequencyHz
  );
}

function cellOf(tmstKey: number): number {
  return tmstKey < 0 ? tmstKey : Math.floor(tmstKey / GHOST_SPAN_US);
}

/** Two that share a key by chance are distinguished when they are looked at. */
function keyOf(digest: number, cell: number): number {
  return cell * DIGESTS + digest;
}

const NONE: readonly Remembered[] = [];

function samePayload(a: Uint8Array | null, b: Uint8Array | null): boolean {
  if (a === null || b === null) return a === b;
  return Buffer.compare(a, b) === 0;
}
