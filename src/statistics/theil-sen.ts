/**
 * How steeply does a series rise, so that wild values do not matter?
 */
import { chiSquareQuantile, intervalT, intervalZ } from "./distributions.ts";
import { columnOf, medianInPlace, selectAt, tieSizesOf } from "./robust.ts";

export interface TheilSenResult {
  /** Median of the slopes of all pairs, units of y for one unit of x; null without two distinct x. */
  readonly slope: number | null;
  /** Median of y minus slope x median of x, as Conover 1980. */
  readonly intercept: number | null;
  readonly low: number | null;
  readonly high: number | null;
  readonly pairs: number;
}

/**
 * Theil and Sen's slope on real x, not on the index, with Sen's interval (Sen, JASA 63 (1968) 1379-1389) whose
 * variance accounts for ties. Compares every pair: at most 2,000 points, thin first.
 * @throws RangeError above 2,000 points.
 */
export function theilSen(
  points: readonly { readonly x: number; readonly y: number }[],
  confidence = 0.95,
): TheilSenResult {
  const n = points.length;
  if (n > 2000) {
    throw new RangeError(`Theil-Sen compares every pair: thin ${n} points to 2000 first.`);
  }
  const xs = columnOf(points, (p) => p.x);
  const ys = columnOf(points, (p) => p.y);
  const slopes = slopesOfPairs(xs, ys);
  const pairs = slopes.length;
  if (pairs === 0) {
    return {
      slope: null,
      intercept: null,
      low: null,
      high: null,
      pairs: 0,
    };
  }
  // Adding 0 turns a slope of -0 into 0.
  const slope = medianInPlace(slopes) + 0;
  const tied = [...tieSizesOf(xs), ...tieSizesOf(ys)].reduce((sum, t) => sum + t * (t - 1) * (2 * t + 5), 0);
  const sigma = Math.sqrt(Math.max(0, (n * (n - 1) * (2 * n + 5) - tied) / 18));
  const reach = intervalZ(confidence) * sigma;
  const lowRank = Math.max(0, Math.round((pairs - reach) / 2) - 1);
  const highRank = Math.min(pairs - 1, Math.round((pairs + reach) / 2));
  return {
    slope,
    intercept: medianInPlace(ys.slice()) - slope * medianInPlace(xs.slice()),
    low: selectAt(slopes, lowRank),
    high: selectAt(slopes, highRank),
    pairs,
  };
}

/** The slopes of all pairs at two different moments. */
function slopesOfPairs(xs: Float64Array, ys: Float64Array): Float64Array {
  const n = xs.length;
  const slopes = new Float64Array((n * (n - 1)) / 2);
  let pairs = 0;
  for (let i = 0; i < n; i += 1) {
    const x = xs[i] ?? 0;
    const y = ys[i] ?? 0;
    for (let j = i + 1; j < n; j += 1) {
      const run = (xs[j] ?? 0) - x;
      if (run !== 0) {
        slopes[pairs] = ((ys[j] ?? 0) - y) / run;
        pairs += 1;
      }
    }
  }
  return slopes.subarray(0, pairs);
}

/** Theil and Sen's line through at most 2,000 points, without its interval; null without two distinct x. */
export function theilSenLine(
  xs: Float64Array,
  ys: Float64Array,
): { readonly slope: number; readonly intercept: number } | null {
  const slopes = slopesOfPairs(xs, ys);
  if (slopes.length === 0) return null;
  const slope = medianInPlace(slopes) + 0;
  return { slope, intercept: medianInPlace(ys.slice()) - slope * medianInPlace(xs.slice()) };
}

// How steeply do several stretches rise that share one slope, each standing at a height of its own?

export interface Point {
  readonly x: number;
  readonly y: number;
}

export interface PooledSlope {
  readonly slope: number;
  readonly low: number;
  readonly high: number;
  readonly pairs: number;
}

/**
 * Median of the slopes of all pairs within a stretch, never across two: the slope of the seasonal Kendall test (Hirsch,
 * Slack, Smith, Water Resources Research 18 (1982) 107-121, from memory). The interval takes Sen's ranks with the
 * stretches' variances of Kendall's S added, since the stretches are independent. For one stretch it is Theil and
 * Sen's slope with Sen's interval, ties not accounted for. Null without two distinct x in any stretch.
 * @throws RangeError above 2,000 points in a stretch.
 */
export function pooledTheilSen(
  stretches: readonly (readonly Point[])[],
  confidence = 0.95,
): PooledSlope | null {
  const slopes: number[] = [];
  let variance = 0;
  for (const points of stretches) {
    const n = points.length;
    if (n > 2000) throw new RangeError(`Every pair is compared: thin ${n} points to 2000 first.`);
    variance += (n * (n - 1) * (2 * n + 5)) / 18;
    for (const [i, from] of points.entries()) {
      for (let j = i + 1; j < n; j += 1) {
        const to = points[j];
        if (to !== undefined && to.x !== from.x) slopes.push((to.y - from.y) / (to.x - from.x));
      }
    }
  }
  const sorted = Float64Array.from(slopes).sort();
  const pairs = sorted.length;
  if (pairs === 0) return null;
  const half = pairs >> 1;
  const upper = sorted[half] ?? 0;
  // Adding 0 turns a slope of -0 into 0.
  const slope = (pairs % 2 === 1 ? upper : ((sorted[half - 1] ?? 0) + upper) / 2) + 0;
  const reach = intervalZ(confidence) * Math.sqrt(variance);
  const lowRank = Math.max(0, Math.round((pairs - reach) / 2) - 1);
  const highRank = Math.min(pairs - 1, Math.round((pairs + reach) / 2));
  return { slope, low: sorted[lowRank] ?? slope, high: sorted[highRank] ?? slope, pairs };
}

// Which straight line lies closest to the points, and how sure are its slope, its height and the scatter about it?

export interface LineFit {
  readonly slope: number;
  readonly intercept: number;
  readonly slopeError: number;
  readonly interceptError: number;
  /** Residual standard deviation, n − 2 degrees of freedom. */
  readonly sigma: number;
  readonly slopeInterval: readonly [number, number];
  readonly interceptInterval: readonly [number, number];
  readonly sigmaInterval: readonly [number, number];
  readonly count: number;
}

/**
 * Ordinary least squares with intervals by Student's t and chi-square; null with fewer than 3 points or a single x.
 * NIST/SEMATECH e-Handbook 4.4.3.1 and 4.4.4; assumes independent residuals of one spread.
 */
export function fitLine(
  points: readonly { readonly x: number; readonly y: number }[],
  confidence = 0.95,
): LineFit | null {
  const n = points.length;
  if (n < 3) return null;
  const meanX = points.reduce((sum, { x }) => sum + x, 0) / n;
  const meanY = points.reduce((sum, { y }) => sum + y, 0) / n;
  let xx = 0;
  let xy = 0;
  for (const { x, y } of points) {
    xx += (x - meanX) ** 2;
    xy += (x - meanX) * y;
  }
  if (xx === 0) return null;
  const slope = xy / xx;
  const intercept = meanY - slope * meanX;
  const squares = points.reduce((sum, { x, y }) => sum + (y - intercept - slope * x) ** 2, 0);
  const degrees = n - 2;
  const sigma = Math.sqrt(squares / degrees);
  const slopeError = sigma / Math.sqrt(xx);
  const interceptError = sigma * Math.sqrt(1 / n + meanX ** 2 / xx);
  const t = intervalT(confidence, degrees);
  const rest = (1 - confidence) / 2;
  return {
    slope,
    intercept,
    slopeError,
    interceptError,
    sigma,
    slopeInterval: [slope - t * slopeError, slope + t * slopeError],
    interceptInterval: [intercept - t * interceptError, intercept + t * interceptError],
    sigmaInterval: [
      Math.sqrt(squares / chiSquareQuantile(1 - rest, degrees)),
      Math.sqrt(squares / chiSquareQuantile(rest, degrees)),
    ],
    count: n,
  };
}
