/**
 * What would the middle of a reading be, had the weak ones been heard too and the strong ones been read to the end?
 *
 * A receiver hears a signal when its reading, blurred by `KNEE_DB`, lies above its floor; and above a ceiling it reads
 * only "at least so much". What was missed and what was cut off take part in the likelihood by their probability: a
 * normal distribution censored at both ends (Tobin, Econometrica 26 (1958) 24-36; two-sided: Rosett and Nelson,
 * Econometrica 43 (1975) 141-146), here with a soft lower end.
 */

import { bivariateNormalCdf, normalCdf } from "./distributions.ts";
import { type Likelihood, maximiseLikelihood, SCORE_STEP, shifted } from "./maximum-likelihood.ts";

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
  // Readings within are rows of their own; those cut off share one, and those missed one for each floor.
  const exact = readings.flatMap(({ value, weight }) =>
    value !== null && value < ceiling ? [{ value, weight }] : [],
  );
  const n = exact.length;
  if (n < 5) return null;
  const mean = exact.reduce((sum, { value }) => sum + value, 0) / n;
  const spread = Math.sqrt(exact.reduce((sum, { value }) => sum + (value - mean) ** 2, 0) / n);
  const limits = new Rows<number | null>();
  let at = 0;
  const rows = readings.map(({ value, floor, weight }) => {
    if (value !== null && value < ceiling) return at++;
    return n + limits.add(String(value === null ? floor : "above"), value === null ? floor : null, weight);
  });
  let sumW = 0;
  let sumV = 0;
  for (const { value, weight } of exact) {
    sumW += weight;
    sumV += weight * value;
  }
  const middle = sumV / Math.max(1e-12, sumW);
  const squares = exact.reduce((sum, { value, weight }) => sum + weight * (value - middle) ** 2, 0);
  /** Log likelihood of each row beyond the readings within. */
  const beyond = ([m = 0, logSigma = 0]: readonly number[]): Float64Array => {
    const sigma = Math.exp(logSigma);
    const blurred = Math.hypot(sigma, KNEE_DB);
    return Float64Array.from(limits.values, (floor) =>
      floor === null
        ? Math.log(Math.max(1e-300, normalCdf((m - ceiling) / sigma)))
        : Math.log(otherLoss + (1 - otherLoss) * normalCdf((floor - m) / blurred) + 1e-300),
    );
  };
  const likelihood: Likelihood = {
    weights: Float64Array.from([...exact.map(({ weight }) => weight), ...limits.weights]),
    total: (parameters) => {
      const [m = 0, logSigma = 0] = parameters;
      const within = -logSigma * sumW - (squares + sumW * (middle - m) ** 2) / (2 * Math.exp(2 * logSigma));
      return beyond(parameters).reduce((sum, one, k) => sum + one * (limits.weights[k] ?? 0), within);
    },
    scores: (parameters) => {
      const [m = 0, logSigma = 0] = parameters;
      const sigma = Math.exp(logSigma);
      const scores = new Float64Array(2 * (n + limits.values.length));
      for (const [k, { value }] of exact.entries()) {
        const z = (value - m) / sigma;
        scores[2 * k] = z / sigma;
        scores[2 * k + 1] = z * z - 1;
      }
      slopes(beyond, parameters, scores.subarray(2 * n));
      return scores;
    },
  };
  const fit = maximiseLikelihood(likelihood, [mean, Math.log(Math.max(0.3, spread))], readings.length);
  if (fit === null) return null;
  const [fitted = 0, logSigma = 0] = fit.parameters;
  return {
    mean: fitted,
    sigma: Math.exp(logSigma),
    influence: rows.map((row, k) => (readings[k]?.weight ?? 0) * (fit.influence[2 * row] ?? 0)),
  };
}

/** Observations that are alike, each kind once, with the sum of their weights. */
class Rows<T> {
  readonly values: T[] = [];
  readonly weights: number[] = [];
  readonly #places = new Map<string, number>();

  /** The place of the row that takes in an observation. */
  add(key: string, value: T, weight: number): number {
    const known = this.#places.get(key);
    if (known !== undefined) {
      this.weights[known] = (this.weights[known] ?? 0) + weight;
      return known;
    }
    const place = this.values.push(value) - 1;
    this.weights.push(weight);
    this.#places.set(key, place);
    return place;
  }
}

/** Slopes of some values by each parameter, from their differences; written into `into`, value after value. */
function slopes(
  of: (parameters: readonly number[]) => Float64Array,
  parameters: readonly number[],
  into: Float64Array,
): void {
  const size = parameters.length;
  for (let i = 0; i < size; i++) {
    const up = of(shifted(parameters, i, SCORE_STEP));
    const down = of(shifted(parameters, i, -SCORE_STEP));
    for (let k = 0; k < up.length; k++)
      into[k * size + i] = ((up[k] ?? 0) - (down[k] ?? 0)) / (2 * SCORE_STEP);
  }
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

/** A pair of which one side alone was read in full, or neither. */
interface HalfPair {
  /** missed: below the floor, or lost otherwise. above: at the ceiling or beyond. */
  readonly a: number | "missed" | "above";
  readonly b: number | "missed" | "above";
}

/** The correlation stays below 1 by this factor. */
const MAX_RHO = 0.995;

/** Null when too few pairs were read in full by both, or the likelihood has no peak. */
export function censoredPairDifference(
  pairs: readonly CensoredPair[],
  { floor, ceiling, otherLoss }: CensoredPairOptions,
): PairDifference | null {
  const within = (value: number | null) => value !== null && value < ceiling;
  const stateOf = (value: number | null) => (value === null ? "missed" : value >= ceiling ? "above" : value);
  // Pairs read in full are rows of their own, whose sum follows from their moments. The others share a row with those
  // that say the same: readings come in steps.
  const exact: (readonly [number, number])[] = [];
  const halves = new Rows<HalfPair>();
  const rows = pairs.map(({ a, b }) => {
    if (a !== null && b !== null && a < ceiling && b < ceiling) return exact.push([a, b]) - 1;
    const half: HalfPair = { a: stateOf(a), b: stateOf(b) };
    return -1 - halves.add(`${half.a}/${half.b}`, half, 1);
  });
  const n = exact.length;
  const moments = momentsOf(exact);
  if (moments === null) return null;
  const { meanA, meanB, varianceA, varianceB, covariance } = moments;
  const heard = 1 - otherLoss;
  const isAbove = (side: "a" | "b") =>
    pairs.some(
      (pair) => pair[side] !== null && !within(pair[side]) && !within(pair[side === "a" ? "b" : "a"]),
    );
  const anyAboveA = isAbove("a");
  const anyAboveB = isAbove("b");

  /** Log likelihood of each row that was not read in full by both, and at the end that of being heard at all. */
  const halvesAt = ([ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0]: readonly number[]): Float64Array => {
    const sa = Math.exp(logA);
    const sb = Math.exp(logB);
    const rho = MAX_RHO * Math.tanh(zRho);
    const rest = Math.sqrt(1 - rho * rho);
    const blurA = Math.hypot(sa, KNEE_DB);
    const blurB = Math.hypot(sb, KNEE_DB);
    // Chance that a side misses a frame, and that both do.
    const missA = normalCdf((floor - ma) / blurA);
    const missB = normalCdf((floor - mb) / blurB);
    const lost = (byFloor: number) => otherLoss + heard * byFloor;
    const bothByFloor = bivariateNormalCdf(
      (floor - ma) / blurA,
      (floor - mb) / blurB,
      (rho * sa * sb) / (blurA * blurB),
    );
    const neither = otherLoss * otherLoss + otherLoss * heard * (missA + missB) + heard * heard * bothByFloor;
    const seen = Math.log(Math.max(TINY, 1 - neither));
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
    // One side above the ceiling, the other missed: lost otherwise, or by the floor, P(X <= f) - P(X <= f, Y <= c).
    const aboveA = !anyAboveA
      ? 0
      : otherLoss * normalCdf((ma - ceiling) / sa) +
        heard *
          Math.max(
            0,
            missB - bivariateNormalCdf((floor - mb) / blurB, (ceiling - ma) / sa, (rho * sb) / blurB),
          );
    const aboveB = !anyAboveB
      ? 0
      : otherLoss * normalCdf((mb - ceiling) / sb) +
        heard *
          Math.max(
            0,
            missA - bivariateNormalCdf((floor - ma) / blurA, (ceiling - mb) / sb, (rho * sa) / blurA),
          );
    const aboveBoth =
      anyAboveA && anyAboveB ? bivariateNormalCdf((ma - ceiling) / sa, (mb - ceiling) / sb, rho) : 0;
    const values = new Float64Array(halves.values.length + 1);
    for (const [k, { a, b }] of halves.values.entries()) {
      let value: number;
      if (typeof a === "number") value = half((a - ma) / sa, logA, mb, sb, b === "missed");
      else if (typeof b === "number") value = half((b - mb) / sb, logB, ma, sa, a === "missed");
      else if (a === b) value = Math.log(aboveBoth + TINY);
      else value = Math.log((a === "above" ? aboveA : aboveB) + TINY);
      values[k] = value - seen;
    }
    values[halves.values.length] = seen;
    return values;
  };

  const likelihood: Likelihood = {
    weights: Float64Array.from([...exact.map(() => 1), ...halves.weights]),
    total: (parameters) => {
      const [ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0] = parameters;
      const sa = Math.exp(logA);
      const sb = Math.exp(logB);
      const rho = MAX_RHO * Math.tanh(zRho);
      const rest = 1 - rho * rho;
      const values = halvesAt(parameters);
      const squares =
        (varianceA + (meanA - ma) ** 2) / (sa * sa) -
        (2 * rho * (covariance + (meanA - ma) * (meanB - mb))) / (sa * sb) +
        (varianceB + (meanB - mb) ** 2) / (sb * sb);
      const seen = values[halves.values.length] ?? 0;
      let sum = n * (-logA - logB - Math.log(rest) / 2 - squares / (2 * rest) - seen);
      for (const [k, weight] of halves.weights.entries()) sum += weight * (values[k] ?? 0);
      return sum;
    },
    scores: (parameters) => {
      const [ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0] = parameters;
      const sa = Math.exp(logA);
      const sb = Math.exp(logB);
      const slope = MAX_RHO * (1 - Math.tanh(zRho) ** 2);
      const rho = MAX_RHO * Math.tanh(zRho);
      const rest = 1 - rho * rho;
      const count = n + halves.values.length;
      const scores = new Float64Array(5 * (count + 1));
      slopes(halvesAt, parameters, scores.subarray(5 * n));
      const [seenA = 0, seenB = 0, seenLogA = 0, seenLogB = 0, seenRho = 0] = scores.subarray(5 * count);
      for (let k = 0; k < n; k++) {
        const [a, b] = exact[k] ?? [0, 0];
        const za = (a - ma) / sa;
        const zb = (b - mb) / sb;
        const squares = za * za - 2 * rho * za * zb + zb * zb;
        scores[5 * k] = (za - rho * zb) / (sa * rest) - seenA;
        scores[5 * k + 1] = (zb - rho * za) / (sb * rest) - seenB;
        scores[5 * k + 2] = (za * za - rho * za * zb) / rest - 1 - seenLogA;
        scores[5 * k + 3] = (zb * zb - rho * za * zb) / rest - 1 - seenLogB;
        scores[5 * k + 4] = (slope * (rho + za * zb - (rho * squares) / rest)) / rest - seenRho;
      }
      return scores.subarray(0, 5 * count);
    },
  };
  const fit = maximiseLikelihood(likelihood, startOf(moments), pairs.length);
  if (fit === null) return null;
  const [ma = 0, mb = 0] = fit.parameters;
  return {
    difference: ma - mb,
    influence: rows.map((row) => {
      const from = 5 * (row >= 0 ? row : n - 1 - row);
      return (fit.influence[from] ?? 0) - (fit.influence[from + 1] ?? 0);
    }),
  };
}

interface Moments {
  readonly meanA: number;
  readonly meanB: number;
  readonly varianceA: number;
  readonly varianceB: number;
  readonly covariance: number;
}

/** Of the pairs read in full; null: too few. */
function momentsOf(exact: readonly (readonly [number, number])[]): Moments | null {
  const n = exact.length;
  if (n < MIN_EXACT_PAIRS) return null;
  const meanA = exact.reduce((sum, [a]) => sum + a, 0) / n;
  const meanB = exact.reduce((sum, [, b]) => sum + b, 0) / n;
  let varianceA = 0;
  let varianceB = 0;
  let covariance = 0;
  for (const [a, b] of exact) {
    varianceA += (a - meanA) ** 2 / n;
    varianceB += (b - meanB) ** 2 / n;
    covariance += ((a - meanA) * (b - meanB)) / n;
  }
  return { meanA, meanB, varianceA, varianceB, covariance };
}

/** Where to begin. */
function startOf({ meanA, meanB, varianceA, varianceB, covariance }: Moments): number[] {
  const rho = Math.max(-0.9, Math.min(0.9, covariance / Math.sqrt(Math.max(1e-6, varianceA * varianceB))));
  const logOf = (variance: number) => Math.log(Math.max(0.3, Math.sqrt(variance)));
  return [meanA, meanB, logOf(varianceA), logOf(varianceB), Math.atanh(rho)];
}
