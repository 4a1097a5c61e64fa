/**
 * What would the middle of a reading be, had the weak ones been heard too and the strong ones been read to the end?
 *
 * A receiver hears a signal when its reading, blurred by `KNEE_DB`, lies above its floor; and above a ceiling it reads
 * only "at least so much". What was missed and what was cut off take part in the likelihood by their probability: a
 * normal distribution censored at both ends (Tobin, Econometrica 26 (1958) 24-36; two-sided: Rosett and Nelson,
 * Econometrica 43 (1975) 141-146), here with a soft lower end.
 */

import { bivariateNormalCdf, normalCdf } from "./distributions.ts";
import { type Fit, maximiseLikelihood } from "./maximum-likelihood.ts";

/**
 * Width of the demodulator's knee as the standard deviation of a normal blur. Common practice, no source: about 2 % of
 * frames come through 3 dB below the floor and 2 % are lost 3 dB above it.
 */
const KNEE_DB = 1.28;

export interface CensoredReading {
  /** null: missed. */
  readonly value: number | null;
  /** Below about this nothing is heard. */
  readonly floor: number;
  readonly weight: number;
}

export interface CensoredMean {
  readonly mean: number;
  readonly sigma: number;
  /** How far each reading moves the mean; sums to 0. */
  readonly influence: readonly number[];
}

export interface CensoredOptions {
  /** Readings from here on say only "at least". */
  readonly ceiling: number;
  /** Share of frames lost for other reasons than the floor (collisions), 0 to below 1. */
  readonly otherLoss: number;
}

/** Mean of the uncensored readings; null when too little of them lies between floor and ceiling to tell. */
export function censoredMean(
  readings: readonly CensoredReading[],
  { ceiling, otherLoss }: CensoredOptions,
): CensoredMean | null {
  const exact = readings.flatMap(({ value }) => (value !== null && value < ceiling ? [value] : []));
  if (exact.length < 5) return null;
  const mean = exact.reduce((sum, value) => sum + value, 0) / exact.length;
  const spread = Math.sqrt(exact.reduce((sum, value) => sum + (value - mean) ** 2, 0) / exact.length);
  const fit: Fit | null = maximiseLikelihood(
    {
      count: readings.length,
      weights: readings.map(({ weight }) => weight),
      at: ([m = 0, logSigma = 0]) => {
        const sigma = Math.exp(logSigma);
        const blurred = Math.hypot(sigma, KNEE_DB);
        const cutOff = Math.log(Math.max(1e-300, normalCdf((m - ceiling) / sigma)));
        return (k) => {
          const reading = readings[k];
          if (reading === undefined) return 0;
          const { value, floor } = reading;
          if (value === null)
            return Math.log(otherLoss + (1 - otherLoss) * normalCdf((floor - m) / blurred) + 1e-300);
          if (value >= ceiling) return cutOff;
          const z = (value - m) / sigma;
          return -logSigma - (z * z) / 2;
        };
      },
    },
    [mean, Math.log(Math.max(0.3, spread))],
  );
  if (fit === null) return null;
  const [fitted = 0, logSigma = 0] = fit.parameters;
  return { mean: fitted, sigma: Math.exp(logSigma), influence: fit.influence.map(([first = 0]) => first) };
}

// Of two receivers on the same frames, how much higher does one read, although each hears only what lies above its floor?
// Where one alone heard a frame, the other's reading lay below the floor: leaving such frames out would make the weak
// side look better than it is, for its lucky frames remain. They take part by their probability under a bivariate
// normal distribution, censored as in censored.ts (two-limit Tobit, for two readings at once). Frames that
// neither heard cannot be told from frames lost on the way to both: the likelihood is that of frames which at least one
// heard (a truncated sample), and needs nothing of the rest.

export interface CensoredPair {
  /** null: not heard. At least one side heard. */
  readonly a: number | null;
  readonly b: number | null;
}

export interface CensoredPairOptions {
  readonly floor: number;
  readonly ceiling: number;
  /** Share of frames that a side loses for other reasons than the floor, 0 to below 1. */
  readonly otherLoss: number;
}

export interface PairDifference {
  /** Mean of a minus mean of b, over all frames. */
  readonly difference: number;
  /** How far each pair moves it; sums to 0. */
  readonly influence: readonly number[];
}

/** Pairs that both sides read in full; fewer leave the correlation open. Chosen. */
export const MIN_EXACT_PAIRS = 8;
const TINY = 1e-300;

/** Null when too few pairs were read in full by both, or the likelihood has no peak. */
export function censoredPairDifference(
  pairs: readonly CensoredPair[],
  { floor, ceiling, otherLoss }: CensoredPairOptions,
): PairDifference | null {
  const start = momentsOf(pairs, ceiling);
  if (start === null) return null;
  const fit = maximiseLikelihood(
    {
      count: pairs.length,
      at: ([ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0]) => {
        const sa = Math.exp(logA);
        const sb = Math.exp(logB);
        const rho = 0.995 * Math.tanh(zRho);
        const rest = Math.sqrt(1 - rho * rho);
        const blurA = Math.hypot(sa, KNEE_DB);
        const blurB = Math.hypot(sb, KNEE_DB);
        // Chance that a side misses a frame, and that both do.
        const missA = normalCdf((floor - ma) / blurA);
        const missB = normalCdf((floor - mb) / blurB);
        const heard = 1 - otherLoss;
        const lost = (byFloor: number) => otherLoss + heard * byFloor;
        const bothByFloor = bivariateNormalCdf(
          (floor - ma) / blurA,
          (floor - mb) / blurB,
          (rho * sa * sb) / (blurA * blurB),
        );
        const neither =
          otherLoss * otherLoss + otherLoss * heard * (missA + missB) + heard * heard * bothByFloor;
        const seen = Math.log(Math.max(TINY, 1 - neither));
        const exactBoth = -logA - logB - Math.log(rest);
        const aboveBoth = bivariateNormalCdf((ma - ceiling) / sa, (mb - ceiling) / sb, rho);
        // One side above the ceiling, the other missed by the floor: P(X <= f) - P(X <= f, Y <= c).
        const aboveA =
          missB - bivariateNormalCdf((floor - mb) / blurB, (ceiling - ma) / sa, (rho * sb) / blurB);
        const aboveB =
          missA - bivariateNormalCdf((floor - ma) / blurA, (ceiling - mb) / sb, (rho * sa) / blurA);
        const upA = normalCdf((ma - ceiling) / sa);
        const upB = normalCdf((mb - ceiling) / sb);
        /** One side read in full (z), of the other only that it was missed or above the ceiling. */
        const half = (z: number, logOwn: number, mOther: number, sOther: number, isMissed: boolean) => {
          const expected = mOther + rho * sOther * z;
          const own = -logOwn - (z * z) / 2;
          const spread = sOther * rest;
          const chance = isMissed
            ? lost(normalCdf((floor - expected) / Math.hypot(spread, KNEE_DB)))
            : normalCdf((expected - ceiling) / spread);
          return own + Math.log(chance + TINY);
        };
        return (k) => {
          const pair = pairs[k];
          if (pair === undefined) return 0;
          const { a, b } = pair;
          const za = a === null ? 0 : (a - ma) / sa;
          const zb = b === null ? 0 : (b - mb) / sb;
          const aIs = a === null ? "missed" : a >= ceiling ? "above" : "exact";
          const bIs = b === null ? "missed" : b >= ceiling ? "above" : "exact";
          let value: number;
          if (aIs === "exact" && bIs === "exact") {
            value = exactBoth - (za * za - 2 * rho * za * zb + zb * zb) / (2 * rest * rest);
          } else if (aIs === "exact") value = half(za, logA, mb, sb, bIs === "missed");
          else if (bIs === "exact") value = half(zb, logB, ma, sa, aIs === "missed");
          else if (aIs === "above" && bIs === "above") value = Math.log(aboveBoth + TINY);
          else if (aIs === "above") value = Math.log(otherLoss * upA + heard * Math.max(0, aboveA) + TINY);
          else value = Math.log(otherLoss * upB + heard * Math.max(0, aboveB) + TINY);
          return value - seen;
        };
      },
    },
    start,
  );
  if (fit === null) return null;
  const [ma = 0, mb = 0] = fit.parameters;
  return { difference: ma - mb, influence: fit.influence.map(([ia = 0, ib = 0]) => ia - ib) };
}

/** Where to begin: the moments of the pairs read in full. */
function momentsOf(pairs: readonly CensoredPair[], ceiling: number): number[] | null {
  const exact = pairs.flatMap(({ a, b }) =>
    a !== null && b !== null && a < ceiling && b < ceiling ? [[a, b] as const] : [],
  );
  const n = exact.length;
  if (n < MIN_EXACT_PAIRS) return null;
  const ma = exact.reduce((sum, [a]) => sum + a, 0) / n;
  const mb = exact.reduce((sum, [, b]) => sum + b, 0) / n;
  const va = exact.reduce((sum, [a]) => sum + (a - ma) ** 2, 0) / n;
  const vb = exact.reduce((sum, [, b]) => sum + (b - mb) ** 2, 0) / n;
  const cov = exact.reduce((sum, [a, b]) => sum + (a - ma) * (b - mb), 0) / n;
  const rho = Math.max(-0.9, Math.min(0.9, cov / Math.sqrt(Math.max(1e-6, va * vb))));
  const logOf = (variance: number) => Math.log(Math.max(0.3, Math.sqrt(variance)));
  return [ma, mb, logOf(va), logOf(vb), Math.atanh(rho)];
}
