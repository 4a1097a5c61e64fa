/**
 * How steeply do several stretches rise that share one slope, each standing at a height of its own?
 */
import { intervalZ } from "./normal.ts";

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
