/**
 * How does a scenario tell time? Moments are offsets from the start of the run, written `h:mm:ss` or in seconds.
 */
import { z } from "zod";

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

/** A stretch of the run, half open, microseconds since its start. */
export interface TimeRange {
  readonly fromUs: number;
  readonly toUs: number;
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
