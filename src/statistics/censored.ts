/**
 * What would the middle of a reading be, had the weak ones been heard too and the strong ones been read to the end?
 *
 * A receiver hears a signal when its reading, blurred by `KNEE_DB`, lies above its floor; and above a ceiling it reads
 * only "at least so much". What was missed and what was cut off take part in the likelihood by their probability: a
 * normal distribution censored at both ends (Tobin, Econometrica 26 (1958) 24-36; two-sided: Rosett and Nelson,
 * Econometrica 43 (1975) 141-146), here with a soft lower end.
 */

import { normalCdf } from "./distributions.ts";
import { type Likelihood, maximiseLikelihood, SCORE_STEP, shifted } from "./maximum-likelihood.ts";

/**
 * Width of the demodulator's knee as the standard deviation of a normal blur. Common practice, no source: about 2 % of
 * frames come through 3 dB below the floor and 2 % are lost 3 dB above it.
 */
export const KNEE_DB = 1.28;

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
export class Rows<T> {
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
export function slopes(
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
