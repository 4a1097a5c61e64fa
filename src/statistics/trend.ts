/**
 * Does a level drift, or did it jump, beyond what chance and autocorrelation explain?
 */
import { mannKendall } from "./rank-tests.ts";
import {
  DAY_US,
  HOUR_US,
  medianBySlot,
  mediansOfSeries,
  type TimedSeries,
  type TimedValue,
  thinByMedians,
} from "./robust.ts";
import { effectiveSampleSize, lag1Autocorrelation } from "./series.ts";
import { theilSen } from "./theil-sen.ts";

export type { TimedValue } from "./robust.ts";

export interface Trend {
  /** Theil-Sen slope in units of the values a day; null when there is not enough to say. */
  readonly slopePerDay: number | null;
  /** 95 % interval of the slope, not widened for autocorrelation. */
  readonly slopeLow: number | null;
  readonly slopeHigh: number | null;
  /** Two-sided Mann-Kendall p, its variance widened for autocorrelation; null when there is not enough to say. */
  readonly p: number | null;
  /** Medians that it rests on, and how many independent ones those are worth; null when there is not enough to say. */
  readonly points: number;
  readonly effectivePoints: number | null;
  /** Days from the first to the last point. */
  readonly spanDays: number;
  readonly outcome: TrendOutcome;
}

/**
 * "real" is a trend. Else: "few" medians, too "short" a span, as "chance" makes it, or "small", beyond chance but less than
 * counts. In this order: the first that holds.
 */
export type TrendOutcome = "few" | "short" | "chance" | "small" | "real";

/** When a trend counts. All three: common practice, no source. */
export interface TrendRule {
  readonly mostP: number;
  /** Least |slope| x span, in units of the values (dB). */
  readonly leastChange: number;
  readonly leastSpanDays: number;
}

export const TREND_RULE: TrendRule = { mostP: 0.01, leastChange: 3, leastSpanDays: 7 };

/** Medians that a slope needs: with fewer no order of values reaches p < 0.01. */
export const MIN_MEDIANS = 6;

/**
 * Trend of a series in dB (or any unit). Values are first thinned to daily medians (hourly ones while the span is
 * under a week); the slope is Theil-Sen's on real time; p is Mann-Kendall's with its variance multiplied by n/n_eff of
 * what remains after the slope. Points may come in any order.
 */
export function trendOf(points: readonly TimedValue[], rule: TrendRule = TREND_RULE): Trend {
  const finite = points.filter((point) => Number.isFinite(point.value) && Number.isFinite(point.tUs));
  return trendOfMedians(ends(finite), (slotUs) => medianBySlot(finite, slotUs), rule);
}

/** The same of a long series in order of time, column by column. */
export function trendOfSeries(series: TimedSeries, rule: TrendRule = TREND_RULE): Trend {
  const { tUs } = series;
  const span = { first: tUs[0] ?? 0, last: tUs.at(-1) ?? 0 };
  return trendOfMedians(span, (slotUs) => mediansOfSeries(series, slotUs), rule);
}

function trendOfMedians(
  { first, last }: { readonly first: number; readonly last: number },
  mediansOf: (slotUs: number) => TimedValue[],
  rule: TrendRule,
): Trend {
  const spanDays = (last - first) / DAY_US;
  const thinned = thinByMedians(mediansOf(spanDays >= rule.leastSpanDays ? DAY_US : HOUR_US));
  if (thinned.length < MIN_MEDIANS) {
    return {
      slopePerDay: null,
      slopeLow: null,
      slopeHigh: null,
      p: null,
      points: thinned.length,
      effectivePoints: null,
      spanDays,
      outcome: "few",
    };
  }
  const xy = thinned.map((point) => ({ x: (point.tUs - first) / DAY_US, y: point.value }));
  const line = theilSen(xy);
  const slope = line.slope ?? 0;
  const rho = lag1Autocorrelation(xy.map(({ x, y }) => y - slope * x));
  const n = thinned.length;
  const effectivePoints = effectiveSampleSize(n, rho);
  const { p } = mannKendall(
    thinned.map((point) => point.value),
    n / effectivePoints,
  );
  const change = Math.abs(slope) * spanDays;
  return {
    slopePerDay: line.slope,
    slopeLow: line.low,
    slopeHigh: line.high,
    p,
    points: n,
    effectivePoints,
    spanDays,
    outcome: judge(p ?? 1, change, spanDays, rule),
  };
}

function judge(p: number, change: number, spanDays: number, rule: TrendRule): TrendOutcome {
  if (spanDays < rule.leastSpanDays) return "short";
  if (!(p < rule.mostP)) return "chance";
  return change < rule.leastChange ? "small" : "real";
}

function ends(points: readonly TimedValue[]): { readonly first: number; readonly last: number } {
  let first = Number.POSITIVE_INFINITY;
  let last = Number.NEGATIVE_INFINITY;
  for (const { tUs } of points) {
    first = Math.min(first, tUs);
    last = Math.max(last, tUs);
  }
  return points.length === 0 ? { first: 0, last: 0 } : { first, last };
}
