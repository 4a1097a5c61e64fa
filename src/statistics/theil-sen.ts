/**
 * How steeply does a series rise, so that wild values do not matter?
 */
import { intervalZ } from "./normal.ts";
import { tieSizesOf } from "./ranks.ts";
import { median } from "./robust.ts";

export interface TheilSenResult {
  /** Median of the slopes of all pairs, units of y for one unit of x; null without two distinct x. */
  readonly slope: number | null;
  /** Median of y minus slope x median of x, as Conover 1980. */
  readonly intercept: number | null;
  readonly low: number | null;
  readonly high: number | null;
  readonly pairs: number;
  readonly reason: string | null;
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
  const xs = Float64Array.from(points, (p) => p.x);
  const ys = Float64Array.from(points, (p) => p.y);
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
  const medianX = median([...xs]);
  const medianY = median([...ys]);
  if (pairs === 0 || medianX === null || medianY === null) {
    return {
      slope: null,
      intercept: null,
      low: null,
      high: null,
      pairs: 0,
      reason: "A slope needs values at two different moments.",
    };
  }
  const sorted = slopes.subarray(0, pairs).sort();
  const half = pairs >> 1;
  const upper = sorted[half] ?? 0;
  // Adding 0 turns a slope of -0 into 0.
  const slope = (pairs % 2 === 1 ? upper : ((sorted[half - 1] ?? 0) + upper) / 2) + 0;
  const tied = [...tieSizesOf([...xs]), ...tieSizesOf([...ys])].reduce(
    (sum, t) => sum + t * (t - 1) * (2 * t + 5),
    0,
  );
  const sigma = Math.sqrt(Math.max(0, (n * (n - 1) * (2 * n + 5) - tied) / 18));
  const reach = intervalZ(confidence) * sigma;
  const lowRank = Math.max(0, Math.round((pairs - reach) / 2) - 1);
  const highRank = Math.min(pairs - 1, Math.round((pairs + reach) / 2));
  return {
    slope,
    intercept: medianY - slope * medianX,
    low: sorted[lowRank] ?? slope,
    high: sorted[highRank] ?? slope,
    pairs,
    reason: null,
  };
}
