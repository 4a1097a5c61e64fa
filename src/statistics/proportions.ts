/**
 * Two receivers on the same frames: by how much do their delivery ratios differ, and how sure is that?
 */
import { intervalZ, twoSidedP } from "./distributions.ts";

/** Frames by who heard them; need not be whole. */
export interface PairedCounts {
  readonly both: number;
  readonly onlyA: number;
  readonly onlyB: number;
  readonly neither: number;
}

export interface DifferenceInterval {
  readonly estimate: number;
  readonly low: number;
  readonly high: number;
}

/**
 * Ratio of A minus ratio of B, with Tango's score interval, Statistics in Medicine 17 (1998) 891-908: the differences
 * that the score test does not reject, the chance of a frame heard by B alone being the most likely one under each. Keeps
 * its coverage where few frames were heard by one alone. `z`: half-width
 * in standard deviations (1.96 for 95 %). Null without frames.
 */
export function pairedScoreInterval(counts: PairedCounts, z: number): DifferenceInterval | null {
  const n = counts.both + counts.onlyA + counts.onlyB + counts.neither;
  if (!(n > 0)) return null;
  const estimate = (counts.onlyA - counts.onlyB) / n;
  return {
    estimate,
    low: edge(estimate, -1, (at) => pairedScore(counts, n, at) > z),
    high: edge(estimate, 1, (at) => pairedScore(counts, n, at) < -z),
  };
}

/** Standard errors by which the counts exceed a true difference of `delta`; Tango's equations 6 to 8. */
function pairedScore({ onlyA, onlyB }: PairedCounts, n: number, delta: number): number {
  const linear = -onlyA - onlyB + (2 * n - onlyA + onlyB) * delta;
  const constant = -onlyB * delta * (1 - delta);
  const root = Math.sqrt(Math.max(0, linear * linear - 8 * n * constant));
  const aloneB = Math.max(0, (root - linear) / (4 * n));
  const variance = n * (2 * aloneB + delta * (1 - delta));
  const above = onlyA - onlyB - n * delta;
  return variance > 0 ? above / Math.sqrt(variance) : Math.sign(above) * Number.POSITIVE_INFINITY;
}

/** Where between a possible difference and the end of the scale one begins to be rejected. By halving. */
function edge(possible: number, end: number, isRejected: (delta: number) => boolean): number {
  let inside = possible;
  let outside = end;
  for (let round = 0; round < 60; round++) {
    const middle = (inside + outside) / 2;
    if (isRejected(middle)) outside = middle;
    else inside = middle;
  }
  return (inside + outside) / 2;
}

/**
 * The same for two independent groups: Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10: the Wilson limits of
 * both ratios, squared and added.
 */
export function unpairedDifference(
  a: { readonly heard: number; readonly expected: number },
  b: { readonly heard: number; readonly expected: number },
  z: number,
): DifferenceInterval | null {
  if (!(a.expected > 0) || !(b.expected > 0)) return null;
  const one = wilson(a.heard, a.expected, z);
  const other = wilson(b.heard, b.expected, z);
  const estimate = a.heard / a.expected - b.heard / b.expected;
  return {
    estimate,
    low: Math.max(-1, estimate - Math.hypot(one.below, other.above)),
    high: Math.min(1, estimate + Math.hypot(one.above, other.below)),
  };
}

/** Distances to the limits of Wilson's score interval (proportions.ts), at any half-width and for counts that are not whole. */
function wilson(heard: number, n: number, z: number): { below: number; above: number } {
  const p = Math.min(1, heard / n);
  const z2n = (z * z) / n;
  const centre = p + z2n / 2;
  const half = z * Math.sqrt(Math.max(0, (p * (1 - p)) / n + z2n / (4 * n)));
  return { below: p - (centre - half) / (1 + z2n), above: (centre + half) / (1 + z2n) - p };
}

// How sure is a ratio, a delivery ratio above all?

export interface ProportionInterval {
  /** Successes over trials; null without trials. */
  readonly ratio: number | null;
  /** Limits from 0 to 1; 0 and 1 when nothing is known. */
  readonly low: number;
  readonly high: number;
}

/**
 * Wilson's score interval. Newcombe, Statistics in Medicine 17 (1998) 857-872, method 3; NIST/SEMATECH e-Handbook 7.2.4.1.
 * Assumes independent trials: losses come in runs, so pass effective counts (see series.ts), which
 * need not be whole.
 */
export function wilsonInterval(successes: number, trials: number, confidence = 0.95): ProportionInterval {
  if (!(trials > 0) || !(successes >= 0) || successes > trials) {
    return { ratio: null, low: 0, high: 1 };
  }
  const z = intervalZ(confidence);
  const p = successes / trials;
  const z2n = (z * z) / trials;
  const centre = p + z2n / 2;
  const half = z * Math.sqrt((p * (1 - p)) / trials + z2n / (4 * trials));
  return {
    ratio: p,
    // Exactly 0 and 1 at the ends, where rounding would leave a hair.
    low: successes === 0 ? 0 : Math.max(0, (centre - half) / (1 + z2n)),
    high: successes === trials ? 1 : Math.min(1, (centre + half) / (1 + z2n)),
  };
}

// Binomial probabilities and Clopper and Pearson's exact interval.

/** Logarithms of factorials 0! to n!, by summing; kept because tests ask for the same n again and again. */
const logFactorials: number[] = [0];

function logFactorial(n: number): number {
  for (let k = logFactorials.length; k <= n; k += 1) {
    logFactorials.push((logFactorials[k - 1] ?? 0) + Math.log(k));
  }
  return logFactorials[n] ?? 0;
}

/** P(X = k) for n trials with probability p. */
export function binomialPmf(k: number, n: number, p: number): number {
  if (k < 0 || k > n) {
    return 0;
  }
  if (p <= 0 || p >= 1) {
    return k === (p <= 0 ? 0 : n) ? 1 : 0;
  }
  const logChoose = logFactorial(n) - logFactorial(k) - logFactorial(n - k);
  return Math.exp(logChoose + k * Math.log(p) + (n - k) * Math.log1p(-p));
}

/** P(X <= k). Sums the tail beyond k, from k outwards as far as it counts: each term follows from the one before. */
export function binomialCdf(k: number, n: number, p: number): number {
  if (k < 0) {
    return 0;
  }
  if (k >= n) {
    return 1;
  }
  if (k < n * p) {
    return Math.min(
      1,
      tailSum(binomialPmf(k, n, p), k, (i) => (i * (1 - p)) / ((n - i + 1) * p), -1),
    );
  }
  return Math.max(
    0,
    1 - tailSum(binomialPmf(k + 1, n, p), k + 1, (i) => ((n - i) * p) / ((i + 1) * (1 - p)), 1),
  );
}

/** Terms that fall to this share of their sum add nothing to its digits. */
const NEGLIGIBLE = 1e-18;

function tailSum(first: number, from: number, ratioAt: (i: number) => number, step: 1 | -1): number {
  let sum = 0;
  let term = first;
  for (let i = from; term > NEGLIGIBLE * sum; i += step) {
    sum += term;
    term *= ratioAt(i);
  }
  return sum;
}

// Of two receivers that could hear the same frames, does one hear more?

export interface McNemarResult {
  /** Chi-squared on 1 degree of freedom; null in the exact form. */
  readonly chi2: number | null;
  /** Two-sided p; null when no frame was heard by one alone. */
  readonly p: number | null;
  /** Mid-p of the exact form, less conservative; null in the chi-squared form. */
  readonly midP: number | null;
  readonly method: "chi-squared" | "exact" | "none";
}

export interface McNemarOptions {
  /** Exact binomial test; by default when fewer than 25 frames were heard by one alone (common practice, no source). */
  readonly exact?: boolean;
  /** Continuity correction of the chi-squared form. Default true. */
  readonly continuity?: boolean;
}

/**
 * McNemar's test for paired proportions (Agresti, Categorical Data Analysis, 1990, p. 350).
 * @param onlyA frames that A alone heard; @param onlyB frames that B alone heard. Frames that both or neither heard
 * say nothing about the difference.
 */
export function mcnemar(onlyA: number, onlyB: number, options: McNemarOptions = {}): McNemarResult {
  const discordant = onlyA + onlyB;
  if (!(discordant > 0)) {
    return {
      chi2: null,
      p: null,
      midP: null,
      method: "none",
    };
  }
  if (options.exact ?? discordant < 25) {
    const fewer = Math.min(onlyA, onlyB);
    const tail = binomialCdf(fewer, discordant, 0.5);
    const p = Math.min(1, 2 * tail);
    // With equal counts the whole distribution is at least as extreme; the observed count then counts half, once.
    const own = binomialPmf(fewer, discordant, 0.5);
    const midP = onlyA === onlyB ? 1 - own / 2 : 2 * tail - own;
    return { chi2: null, p, midP, method: "exact" };
  }
  const correction = (options.continuity ?? true) ? 1 : 0;
  const distance = Math.max(0, Math.abs(onlyA - onlyB) - correction);
  const chi2 = distance ** 2 / discordant;
  return { chi2, p: twoSidedP(Math.sqrt(chi2)), midP: null, method: "chi-squared" };
}

// Several comparisons at once: which of them would still stand out if each had its chance of a false alarm?

/**
 * Holm's step-down adjusted p-values, in the given order; they hold whatever the comparisons share. Holm, Scandinavian
 * Journal of Statistics 6 (1979) 65-70. Nulls (nothing to test) stay null and are not counted.
 */
export function holmAdjusted(ps: readonly (number | null)[]): (number | null)[] {
  const order = ps
    .flatMap((p, index) => (p === null ? [] : [{ p, index }]))
    .sort((a, b) => a.p - b.p || a.index - b.index);
  const adjusted: (number | null)[] = ps.map(() => null);
  let highest = 0;
  order.forEach(({ p, index }, rank) => {
    highest = Math.max(highest, Math.min(1, (order.length - rank) * p));
    adjusted[index] = highest;
  });
  return adjusted;
}
