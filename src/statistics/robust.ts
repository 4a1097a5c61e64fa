/**
 * Middle, spread and quantiles that a few wild values cannot move. Thin faces over simple-statistics that answer
 * null for nothing, never NaN.
 */
import { medianAbsoluteDeviation, quantile as quantileOf } from "simple-statistics";

/** Factor that turns the MAD of normal values into their standard deviation: 1/Φ⁻¹(3/4). */
export const MAD_TO_SIGMA = 1.4826;

/** Median; null for no values. */
export function median(values: readonly number[]): number | null {
  return values.length === 0 ? null : medianInPlace(new Float64Array(values));
}

/** A number of each item: Float64Array.from goes through an iterator, and takes several times as long. */
export function columnOf<T>(items: readonly T[], of: (item: T) => number): Float64Array {
  const column = new Float64Array(items.length);
  items.forEach((item, i) => {
    column[i] = of(item);
  });
  return column;
}

/** Median absolute deviation, not scaled; null for no values. Often 0 for values in whole dB: see `robustSigma`. */
export function mad(values: readonly number[]): number | null {
  return values.length === 0 ? null : medianAbsoluteDeviation([...values]);
}

/**
 * Standard deviation by MAD x 1.4826, never below `floor` (0.5 dB unless given; common practice, no source), because
 * quantised values have a MAD of 0. Null for no values.
 */
export function robustSigma(values: readonly number[], floor = 0.5): number | null {
  const spread = mad(values);
  return spread === null ? null : Math.max(floor, MAD_TO_SIGMA * spread);
}

/** Quantile of type 7 (linear between order statistics; Hyndman and Fan 1996), p from 0 to 1; null for no values. */
export function quantile(values: readonly number[], p: number): number | null {
  return values.length === 0 ? null : quantileOf([...values], p);
}

// Which rank has each value? Ties share their mean rank.

export interface Ranking {
  /** Rank of each value in the given order, from 1. */
  readonly ranks: readonly number[];
  /** Sizes of groups of equal values, those of two or more. */
  readonly tieSizes: readonly number[];
}

/** Ranks with ties averaged (midranks). */
export function rankWithTies(values: readonly number[]): Ranking {
  const places = new Map<number, number[]>();
  values.forEach((value, index) => {
    const alike = places.get(value);
    if (alike === undefined) places.set(value, [index]);
    else alike.push(index);
  });
  const ranks = Array<number>(values.length).fill(0);
  let before = 0;
  for (const [, alike] of [...places].sort(([a], [b]) => a - b)) {
    for (const index of alike) ranks[index] = before + (alike.length + 1) / 2;
    before += alike.length;
  }
  return { ranks, tieSizes: tieSizesOf(values) };
}

/** Sizes of groups of equal values, those of two or more. */
export function tieSizesOf(values: Iterable<number>): number[] {
  const counts = new Map<number, number>();
  for (const value of values) {
    counts.set(value, (counts.get(value) ?? 0) + 1);
  }
  return [...counts.values()].filter((size) => size > 1);
}

// How is a long series made short enough for methods that compare every pair? By medians of time slots.

export interface TimedValue {
  /** Microseconds since 1970. */
  readonly tUs: number;
  readonly value: number;
}

export const HOUR_US = 3_600_000_000;
export const DAY_US = 86_400_000_000;

/** Pairs of 2,000 values are two million: as many as a question may cost. */
export const MAX_PAIRWISE_POINTS = 2000;

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
  return [...slots]
    .sort(([a], [b]) => a - b)
    .map(([, list]) => ({
      tUs: medianInPlace(columnOf(list, ({ tUs }) => tUs)),
      value: medianInPlace(columnOf(list, ({ value }) => value)),
    }));
}

/** A series in order of time, column by column; both columns have one length. */
export interface TimedSeries {
  readonly tUs: Float64Array;
  readonly values: Float64Array;
}

/** The same as medianBySlot, of a series in order of time: each slot is one piece of it. */
export function mediansOfSeries({ tUs, values }: TimedSeries, slotUs: number): TimedValue[] {
  const medians: TimedValue[] = [];
  for (let from = 0; from < tUs.length; ) {
    const slot = Math.floor((tUs[from] ?? 0) / slotUs);
    let to = from + 1;
    while (to < tUs.length && Math.floor((tUs[to] ?? 0) / slotUs) === slot) to += 1;
    medians.push({
      tUs: middleOf(tUs.subarray(from, to)),
      value: middleOf(values.slice(from, to).sort()),
    });
    from = to;
  }
  return medians;
}

function middleOf(sorted: Float64Array): number {
  const at = sorted.length >> 1;
  const upper = sorted[at] ?? 0;
  return sorted.length % 2 === 1 ? upper : ((sorted[at - 1] ?? upper) + upper) / 2;
}

/** The points themselves when few enough, else medians of slots, widened until at most `most` remain. In order of time. */
export function thinByMedians(points: readonly TimedValue[], most = MAX_PAIRWISE_POINTS): TimedValue[] {
  const sorted = [...points].sort((a, b) => a.tUs - b.tUs);
  if (sorted.length <= most) return sorted;
  // One slot more than the span needs, since slots are counted from 1970 and not from the first point.
  const slotUs = Math.max(1, ((sorted.at(-1)?.tUs ?? 0) - (sorted[0]?.tUs ?? 0)) / (most - 1));
  return medianBySlot(sorted, slotUs);
}

// Which value stands at a place in order, without putting all in order?

/**
 * The value at a place (from 0) of values of any order; it moves them about: those before the place are no larger then,
 * those behind it no smaller. Between `left` and `right`, places included. Floyd and Rivest, Communications of the ACM
 * 18 (1975) 173 (algorithm 489).
 */
export function selectAt(
  values: Float64Array,
  place: number,
  left = 0,
  right: number = values.length - 1,
): number {
  let from = left;
  let to = right;
  while (to > from) {
    if (to - from > 600) {
      const n = to - from + 1;
      const i = place - from + 1;
      const z = Math.log(n);
      const s = 0.5 * Math.exp((2 * z) / 3);
      const sd = 0.5 * Math.sqrt((z * s * (n - s)) / n) * (i < n / 2 ? -1 : 1);
      const first = Math.max(from, Math.floor(place - (i * s) / n + sd));
      const last = Math.min(to, Math.floor(place + ((n - i) * s) / n + sd));
      selectAt(values, place, first, last);
    }
    const middle = values[place] ?? 0;
    let i = from;
    let j = to;
    swap(values, from, place);
    if ((values[to] ?? 0) > middle) swap(values, from, to);
    while (i < j) {
      swap(values, i, j);
      i += 1;
      j -= 1;
      while ((values[i] ?? 0) < middle) i += 1;
      while ((values[j] ?? 0) > middle) j -= 1;
    }
    if (values[from] === middle) swap(values, from, j);
    else {
      j += 1;
      swap(values, j, to);
    }
    if (j <= place) from = j + 1;
    if (place <= j) to = j - 1;
  }
  return values[place] ?? 0;
}

function swap(values: Float64Array, i: number, j: number): void {
  const one = values[i] ?? 0;
  values[i] = values[j] ?? 0;
  values[j] = one;
}

/** Median of values of any order; it moves them about. 0 for none. */
export function medianInPlace(values: Float64Array): number {
  const half = values.length >> 1;
  const upper = selectAt(values, half);
  if (values.length % 2 === 1) return upper;
  let lower = Number.NEGATIVE_INFINITY;
  for (let i = 0; i < half; i += 1) lower = Math.max(lower, values[i] ?? 0);
  return half === 0 ? upper : (lower + upper) / 2;
}
