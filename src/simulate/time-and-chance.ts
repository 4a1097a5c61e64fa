/**
 * What does a run go by? Its moments, which are offsets from its start, written `h:mm:ss` or in seconds; its agenda; and
 * its chance, from one small generator that is handed in, so that every run repeats.
 */
import { z } from "zod";
import type { TimeRange } from "../model/time-range.ts";

/** `1:05:00` or 3900, as whole microseconds since the start of the run. */
export const Offset = z
  .union([
    z.number().min(0),
    z.string().regex(/^\d+:[0-5]\d:[0-5]\d$/, "a time is written h:mm:ss or in seconds"),
  ])
  .transform((value) => {
    if (typeof value === "number") return Math.round(value * 1e6);
    const [hours = 0, minutes = 0, seconds = 0] = value.split(":").map(Number);
    return (hours * 3600 + minutes * 60 + seconds) * 1e6;
  });

/** Which moment of the world is a moment of the run? Live, the run starts now and may go faster than it is written. */
export interface ScenarioClock {
  /** Microseconds since 1970 at which the run starts. */
  readonly startUs: number;
  /** How many seconds of the scenario pass in one second. */
  readonly speed: number;
}

/** Microseconds since 1970 of a moment of the run. */
export function worldUs(clock: ScenarioClock, atUs: number): number {
  return clock.startUs + Math.round(atUs / clock.speed);
}

/** Whether a moment lies in one of the stretches. */
export function isWithin(stretches: readonly TimeRange[], atUs: number): boolean {
  return stretches.some(({ fromUs, toUs }) => atUs >= fromUs && atUs < toUs);
}

/** Whole microseconds of seconds. */
export function seconds(value: number): number {
  return Math.round(value * 1e6);
}

// What happens next? A list of things to do in order of time; what was entered first goes first at equal times,
// so that a run repeats exactly.

interface Entry<T> {
  readonly atUs: number;
  readonly order: number;
  readonly what: T;
}

/** A binary heap by time, then by order of entry. */
export class Agenda<T> {
  readonly #heap: Entry<T>[] = [];
  #entered = 0;

  get size(): number {
    return this.#heap.length;
  }

  add(atUs: number, what: T): void {
    const heap = this.#heap;
    const entry = { atUs, order: this.#entered++, what };
    let at = heap.length;
    heap.push(entry);
    while (at > 0) {
      const parentAt = (at - 1) >> 1;
      const parent = heap[parentAt];
      if (parent === undefined || !isBefore(entry, parent)) break;
      heap[at] = parent;
      at = parentAt;
    }
    heap[at] = entry;
  }

  /** The earliest entry, taken off the list; null when nothing is left. */
  take(): { readonly atUs: number; readonly what: T } | null {
    const heap = this.#heap;
    const first = heap[0];
    const last = heap.pop();
    if (first === undefined || last === undefined) return null;
    if (heap.length > 0) this.#sink(last);
    return first;
  }

  /** Puts an entry in the place of the first one and lets it sink to where it belongs. */
  #sink(entry: Entry<T>): void {
    const heap = this.#heap;
    let at = 0;
    for (;;) {
      let childAt = 2 * at + 1;
      let child = heap[childAt];
      if (child === undefined) break;
      const right = heap[childAt + 1];
      if (right !== undefined && isBefore(right, child)) {
        child = right;
        childAt += 1;
      }
      if (!isBefore(child, entry)) break;
      heap[at] = child;
      at = childAt;
    }
    heap[at] = entry;
  }
}

function isBefore<T>(a: Entry<T>, b: Entry<T>): boolean {
  return a.atUs < b.atUs || (a.atUs === b.atUs && a.order < b.order);
}

// Where does chance come from? Each actor takes a stream of its own by name: adding an outage or a node leaves all other
// draws as they were.

/** A source of chance. Nothing in the simulator calls `Math.random`. */
export interface Random {
  /** At least 0, below 1, in steps of 2^-32. */
  uniform(): number;
  /** An independent stream; the same name from the same source is the same stream. */
  fork(name: string): Random;
}

// Chris Doty-Humphrey, PractRand, sfc32 (public domain; from memory): three words of state, a counter, 15 rounds
// thrown away after seeding with three words.
const SEEDING_ROUNDS = 15;

/** The generator `sfc32` for a seed: a whole number, 0 to 2^53 - 1. */
export function createRandom(seed: number, name = ""): Random {
  const next = sfc32(hashText(name), seed >>> 0, Math.floor(seed / 2 ** 32) >>> 0);
  return {
    uniform: () => next() / 2 ** 32,
    fork: (child) => createRandom(seed, `${name}/${child}`),
  };
}

function sfc32(word0: number, word1: number, word2: number): () => number {
  let a = word0;
  let b = word1;
  let c = word2;
  let counter = 1;
  const next = (): number => {
    const sum = (((a + b) >>> 0) + counter) >>> 0;
    counter = (counter + 1) >>> 0;
    a = (b ^ (b >>> 9)) >>> 0;
    b = (c + (c << 3)) >>> 0;
    c = (((c << 21) | (c >>> 11)) + sum) >>> 0;
    return sum;
  };
  for (let round = 0; round < SEEDING_ROUNDS; round++) next();
  return next;
}

/** FNV-1a, 32 bits (Fowler, Noll, Vo; offset basis and prime from memory), over the text's UTF-8 octets. */
function hashText(text: string): number {
  let hash = 0x811c9dc5;
  for (const octet of new TextEncoder().encode(text)) {
    hash = Math.imul(hash ^ octet, 0x01000193) >>> 0;
  }
  return hash;
}

/** A draw from the standard normal distribution (Box and Muller 1958). Always takes two numbers from the stream. */
export function normal(random: Random): number {
  const radius = Math.sqrt(-2 * Math.log(1 - random.uniform()));
  return radius * Math.cos(2 * Math.PI * random.uniform());
}

/** A draw from the exponential distribution. */
export function exponential(random: Random, mean: number): number {
  return -mean * Math.log(1 - random.uniform());
}

/** A whole number, at least 0 and below `count`. */
export function below(random: Random, count: number): number {
  return Math.floor(random.uniform() * count);
}

/** That many random octets. */
export function randomOctets(random: Random, count: number): Uint8Array {
  return Uint8Array.from({ length: count }, () => below(random, 256));
}
