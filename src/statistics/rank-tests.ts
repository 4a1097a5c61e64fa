/**
 * Of two unpaired groups of blocks (antenna here, antenna there), does one run higher, and by how much?
 */
import { twoSidedP } from "./distributions.ts";
import { median, rankWithTies, tieSizesOf } from "./robust.ts";
import { normalTails, type SignedRankOptions } from "./signed-rank.ts";

export interface RankSumResult {
  /** Mann and Whitney's count of pairs in which x exceeds y; ties count one half. */
  readonly w: number;
  /** Null when a group is empty or all values are equal. */
  readonly p: number | null;
  readonly method: "exact" | "normal" | "none";
}

/**
 * Wilcoxon's rank-sum test (Mann and Whitney). Hollander and Wolfe 1973, section 4.1. Feed it medians of blocks of an hour
 * or a day, never frames, which are not independent. `exact`, by default: when both groups have fewer than 50 values and
 * nothing is tied, as R does.
 */
export function rankSum(
  x: readonly number[],
  y: readonly number[],
  options: SignedRankOptions = {},
): RankSumResult {
  const m = x.length;
  const n = y.length;
  const { ranks, tieSizes } = rankWithTies([...x, ...y]);
  const w = ranks.slice(0, m).reduce((sum, rank) => sum + rank, 0) - (m * (m + 1)) / 2;
  if (m === 0 || n === 0) {
    return { w, p: null, method: "none" };
  }
  const alternative = options.alternative ?? "two-sided";
  if (tieSizes.length === 0 && (options.exact ?? (m < 50 && n < 50))) {
    const cumulative = mannWhitneyCdf(m, n);
    const below = cumulative[w] ?? 1;
    const above = 1 - (w === 0 ? 0 : (cumulative[w - 1] ?? 0));
    const twoSided = Math.min(1, 2 * Math.min(below, above));
    const p = alternative === "two-sided" ? twoSided : alternative === "greater" ? above : below;
    return { w, p, method: "exact" };
  }
  const all = m + n;
  const tied = tieSizes.reduce((sum, t) => sum + (t ** 3 - t), 0);
  const variance = ((m * n) / 12) * (all + 1 - tied / (all * (all - 1)));
  if (!(variance > 0)) {
    return { w, p: null, method: "none" };
  }
  const correction = (options.continuity ?? true) ? 0.5 : 0;
  const p = normalTails(w - (m * n) / 2, Math.sqrt(variance), correction, alternative);
  return { w, p, method: "normal" };
}

const MAX_VALUES = 500;

/** Hodges and Lehmann's shift between groups: median of all x - y; null when a group is empty. Larger groups are thinned to 500 ranks each. */
export function groupShift(x: readonly number[], y: readonly number[]): number | null {
  const xs = everyKth(x);
  const ys = everyKth(y);
  const differences: number[] = [];
  for (const a of xs) {
    for (const b of ys) {
      differences.push(a - b);
    }
  }
  return median(differences);
}

function everyKth(values: readonly number[]): readonly number[] {
  if (values.length <= MAX_VALUES) {
    return values;
  }
  const sorted = [...values].sort((a, b) => a - b);
  return Array.from(
    { length: MAX_VALUES },
    (_, i) => sorted[Math.floor(((i + 0.5) * sorted.length) / MAX_VALUES)] ?? 0,
  );
}

/** P(W <= w) for w = 0 … mn, by the recursion over the largest value: it belongs to x or to y. */
function mannWhitneyCdf(m: number, n: number): number[] {
  const size = m * n + 1;
  // rows[j] holds P(W = w) for i values of x and j of y, while i grows.
  let rows: Float64Array[] = Array.from({ length: n + 1 }, () => unit(size));
  for (let i = 1; i <= m; i += 1) {
    const next: Float64Array[] = [unit(size)];
    for (let j = 1; j <= n; j += 1) {
      const largestIsX = rows[j] ?? unit(size);
      const largestIsY = next[j - 1] ?? unit(size);
      const row = new Float64Array(size);
      for (let w = 0; w < size; w += 1) {
        const fromX = w >= j ? (largestIsX[w - j] ?? 0) : 0;
        row[w] = (i * fromX + j * (largestIsY[w] ?? 0)) / (i + j);
      }
      next.push(row);
    }
    rows = next;
  }
  let sum = 0;
  return Array.from(rows[n] ?? unit(size), (mass) => {
    sum += mass;
    return Math.min(1, sum);
  });
}

function unit(size: number): Float64Array {
  const row = new Float64Array(size);
  row[0] = 1;
  return row;
}

// Does a series rise or fall beyond chance?

export interface MannKendallResult {
  /** Rising pairs minus falling pairs. */
  readonly s: number;
  /** Variance of S with no trend, ties accounted for. */
  readonly varS: number;
  /** With continuity correction; 0 when every value is equal. */
  readonly z: number;
  /** Two-sided; null with fewer than 4 values. Approximate below 10. */
  readonly p: number | null;
  /** Tau-a: S over all pairs; null with fewer than 2 values. */
  readonly tauA: number | null;
}

/**
 * Mann and Kendall's test on values in order of time. R package trend, mk.test, with its continuity correction; the
 * term for ties is needed because RSSI comes in whole dB. Compares every pair: at most 2,000 values, thin first.
 * @param varianceFactor multiplies the variance, n / n_eff for autocorrelated values.
 * @throws RangeError above 2,000 values.
 */
export function mannKendall(values: readonly number[], varianceFactor = 1): MannKendallResult {
  const n = values.length;
  if (n > 2000) {
    throw new RangeError(`Mann-Kendall compares every pair: thin ${n} values to 2000 first.`);
  }
  let s = 0;
  for (let i = 0; i < n; i += 1) {
    const earlier = values[i] ?? 0;
    for (let j = i + 1; j < n; j += 1) {
      const later = values[j] ?? 0;
      s += later > earlier ? 1 : later < earlier ? -1 : 0;
    }
  }
  const tied = tieSizesOf(values).reduce((sum, t) => sum + t * (t - 1) * (2 * t + 5), 0);
  const varS = (varianceFactor * (n * (n - 1) * (2 * n + 5) - tied)) / 18;
  const z = varS > 0 ? (s - Math.sign(s)) / Math.sqrt(varS) : 0;
  return {
    s,
    varS,
    z,
    p: n >= 4 ? twoSidedP(z) : null,
    tauA: n >= 2 ? s / ((n * (n - 1)) / 2) : null,
  };
}

// How likely does a Brownian bridge stray so far? The limit of the largest partial sum of values about their mean,
// when their level never changed.

/** Beyond this distance the tail is below the smallest number that matters. */
const FAR = 6;

/**
 * P(sup |B(t)| > x) = 2 Σ (-1)^(k+1) exp(-2 k² x²): Kolmogorov 1933; table of N. Smirnov, Annals of Mathematical
 * Statistics 19 (1948) 279-281 (from memory): 0.05 at 1.358, 0.01 at 1.628. 1 for x near 0.
 */
export function bridgeTail(x: number): number {
  if (!(x > 0.2)) return 1;
  if (x > FAR) return 0;
  let sum = 0;
  for (let k = 1; k <= 100; k += 1) {
    const term = Math.exp(-2 * k * k * x * x);
    sum += k % 2 === 1 ? term : -term;
    if (term < 1e-16) break;
  }
  return Math.min(1, Math.max(0, 2 * sum));
}
