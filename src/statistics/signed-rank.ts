/**
 * Of two receivers on the same frames, by how much does one read higher, and is that more than chance?
 */
import { intervalZ, normalCdf } from "./distributions.ts";
import { rankWithTies } from "./robust.ts";

export type Alternative = "two-sided" | "greater" | "less";

export interface SignedRankResult {
  /** Sum of ranks of positive differences. */
  readonly vPlus: number;
  readonly vMinus: number;
  /** Null when every difference is zero. */
  readonly p: number | null;
  readonly method: "exact" | "normal" | "none";
}

export interface SignedRankOptions {
  readonly alternative?: Alternative;
  /** Default: exact up to 50 differences without ties or zeros, as R does. */
  readonly exact?: boolean;
  /** Continuity correction of the normal form. Default true. */
  readonly continuity?: boolean;
}

/**
 * Wilcoxon's signed-rank test on paired differences; zeros are dropped. Hollander and Wolfe, Nonparametric
 * Statistical Methods, 1973, section 3.1. The normal form corrects the variance for ties.
 */
export function signedRank(
  differences: readonly number[],
  options: SignedRankOptions = {},
): SignedRankResult {
  const kept = differences.filter((d) => d !== 0);
  const n = kept.length;
  const { ranks, tieSizes } = rankWithTies(kept.map(Math.abs));
  let vPlus = 0;
  kept.forEach((d, i) => {
    vPlus += d > 0 ? (ranks[i] ?? 0) : 0;
  });
  const total = (n * (n + 1)) / 2;
  const vMinus = total - vPlus;
  if (n === 0) {
    return { vPlus, vMinus, p: null, method: "none" };
  }
  const alternative = options.alternative ?? "two-sided";
  const exactHolds = tieSizes.length === 0;
  if (exactHolds && (options.exact ?? (n <= 50 && n === differences.length))) {
    const cumulative = signedRankCdf(n);
    const below = cumulative[vPlus] ?? 1;
    const above = 1 - (vPlus === 0 ? 0 : (cumulative[vPlus - 1] ?? 0));
    return { vPlus, vMinus, p: pick(alternative, below, above), method: "exact" };
  }
  const tied = tieSizes.reduce((sum, t) => sum + (t ** 3 - t), 0);
  const sigma = Math.sqrt((n * (n + 1) * (2 * n + 1)) / 24 - tied / 48);
  const correction = (options.continuity ?? true) ? 0.5 : 0;
  const centred = vPlus - total / 2;
  const p = normalTails(centred, sigma, correction, alternative);
  return { vPlus, vMinus, p, method: "normal" };
}

/** p of a centred statistic with a continuity correction towards the centre. */
export function normalTails(
  centred: number,
  sigma: number,
  correction: number,
  alternative: Alternative,
): number {
  const below = normalCdf((centred + correction) / sigma);
  const above = normalCdf(-(centred - correction) / sigma);
  return pick(alternative, below, above);
}

function pick(alternative: Alternative, below: number, above: number): number {
  if (alternative === "two-sided") {
    return Math.min(1, 2 * Math.min(below, above));
  }
  return alternative === "greater" ? above : below;
}

/** P(V <= v) for v = 0 … n(n+1)/2 under no difference, by counting sign patterns. Exact up to 2^53 patterns in ratio. */
function signedRankCdf(n: number): number[] {
  const total = (n * (n + 1)) / 2;
  let mass = new Float64Array(total + 1);
  mass[0] = 1;
  for (let rank = 1; rank <= n; rank += 1) {
    const next = new Float64Array(total + 1);
    for (let v = 0; v <= total; v += 1) {
      next[v] = ((mass[v] ?? 0) + (v >= rank ? (mass[v - rank] ?? 0) : 0)) / 2;
    }
    mass = next;
  }
  let sum = 0;
  return Array.from(mass, (m) => {
    sum += m;
    return Math.min(1, sum);
  });
}

export interface ShiftEstimate {
  /** Median of the averages; null for no values. */
  readonly estimate: number | null;
  readonly low: number | null;
  readonly high: number | null;
  /** Confidence that the interval really has; exact for 50 differences or fewer, else nominal. */
  readonly achieved: number | null;
}

/** Above this many differences the pairwise averages would not fit a moment: every k-th of the sorted is taken. */
const MAX_DIFFERENCES = 2000;

/**
 * Hodges and Lehmann's estimate of a shift from paired differences, the median of all Walsh averages
 * (d_i + d_j)/2 with i <= j, and its interval. Hollander and Wolfe 1973, sections 3.2 and 3.3.
 * The interval needs 6 differences at 95 %; with fewer its limits are null.
 */
export function hodgesLehmann(differences: readonly number[], confidence = 0.95): ShiftEstimate {
  const sorted = [...differences].sort((a, b) => a - b);
  const kept = thin(sorted, MAX_DIFFERENCES);
  const n = kept.length;
  if (n === 0) {
    return { estimate: null, low: null, high: null, achieved: null };
  }
  const { total, at } = walshAverages(kept);
  const half = total >> 1;
  const estimate = total % 2 === 1 ? at(half) : (at(half - 1) + at(half)) / 2;
  const alpha = 1 - confidence;
  if (n <= 50) {
    const cumulative = signedRankCdf(n);
    // Largest c with 2 P(V <= c - 1) <= alpha: the interval runs from the c-th to the c-th last average.
    let c = 0;
    while (2 * (cumulative[c] ?? 1) <= alpha) {
      c += 1;
    }
    if (c === 0) {
      return {
        estimate,
        low: null,
        high: null,
        achieved: null,
      };
    }
    const achieved = 1 - 2 * (cumulative[c - 1] ?? 0);
    return { estimate, low: at(c - 1), high: at(total - c), achieved };
  }
  // The interval keeps the width that all the differences allow, although only some were averaged.
  const full = differences.length;
  const sigma = Math.sqrt((full * (full + 1) * (2 * full + 1)) / 24) / ((full * (full + 1)) / 2);
  const c = Math.max(1, Math.floor(total * (0.5 - intervalZ(confidence) * sigma)));
  return {
    estimate,
    low: at(c - 1),
    high: at(total - c),
    achieved: confidence,
  };
}

function thin(sorted: readonly number[], most: number): readonly number[] {
  if (sorted.length <= most) {
    return sorted;
  }
  return Array.from({ length: most }, (_, i) => sorted[Math.floor(((i + 0.5) * sorted.length) / most)] ?? 0);
}

/** All averages of two of some values, each with itself as well. */
interface WalshAverages {
  readonly total: number;
  /** The k-th of them in order, from 0. */
  readonly at: (k: number) => number;
}

/**
 * Of values in order the averages are in order by row and by column, so that those up to a limit are counted in one walk,
 * and the limit is found by halving: two thousand values have two million averages, and none is written down.
 */
function walshAverages(sorted: readonly number[]): WalshAverages {
  const values = Float64Array.from(sorted);
  const n = values.length;
  /** How many are at most `limit`, and the largest of them. */
  const upTo = (limit: number): { count: number; largest: number } => {
    let count = 0;
    let largest = Number.NEGATIVE_INFINITY;
    let j = n - 1;
    for (let i = 0; i <= j; i += 1) {
      const own = values[i] ?? 0;
      while (j >= i && (own + (values[j] ?? 0)) / 2 > limit) j -= 1;
      if (j < i) break;
      count += j - i + 1;
      largest = Math.max(largest, (own + (values[j] ?? 0)) / 2);
    }
    return { count, largest };
  };
  const at = (k: number): number => {
    let low = (values[0] ?? 0) - 1;
    let high = values[n - 1] ?? 0;
    let found = high;
    for (;;) {
      const middle = low + (high - low) / 2;
      if (middle <= low || middle >= high) return found;
      const { count, largest } = upTo(middle);
      if (count <= k) low = middle;
      else {
        // Nothing lies between the largest and the limit.
        found = largest;
        high = largest;
      }
    }
  };
  return { total: (n * (n + 1)) / 2, at };
}
