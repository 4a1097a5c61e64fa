/**
 * How is a long series made short enough for methods that compare every pair? By medians of time slots.
 */
import { median } from "./robust.ts";

export interface TimedValue {
  /** Microseconds since 1970. */
  readonly tUs: number;
  readonly value: number;
}

export const HOUR_US = 3_600_000_000;
export const DAY_US = 86_400_000_000;

/** Pairs of 2,000 values are two million: as many as a question may cost. */
export const MOST_PAIRWISE_POINTS = 2000;

/** One point for every slot that has values: median time, median value. Slots are counted from 1970, in order of time. */
export function medianBySlot(points: readonly TimedValue[], slotUs: number): TimedValue[] {
  const slots = new Map<number, TimedValue[]>();
  for (const point of points) {
    const slot = Math.floor(point.tUs / slotUs);
    const list = slots.get(slot);
    if (list === undefined) {
      slots.set(slot, [point]);
    } else {
      list.push(point);
    }
  }
  return [...slots.keys()]
    .sort((a, b) => a - b)
    .flatMap((slot) => {
      const list = slots.get(slot) ?? [];
      const tUs = median(list.map((p) => p.tUs));
      const value = median(list.map((p) => p.value));
      return tUs === null || value === null ? [] : [{ tUs, value }];
    });
}

/** The points themselves when few enough, else medians of slots, widened until at most `most` remain. In order of time. */
export function thinByMedians(points: readonly TimedValue[], most = MOST_PAIRWISE_POINTS): TimedValue[] {
  const sorted = [...points].sort((a, b) => a.tUs - b.tUs);
  const first = sorted[0];
  const last = sorted[sorted.length - 1];
  if (first === undefined || last === undefined || sorted.length <= most) {
    return sorted;
  }
  // One slot more than the span needs, since slots are counted from 1970 and not from the first point.
  const slotUs = Math.max(1, (last.tUs - first.tUs) / (most - 1));
  return medianBySlot(sorted, slotUs);
}
