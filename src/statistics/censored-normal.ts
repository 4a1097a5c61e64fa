/**
 * What would the middle of a reading be, had the weak ones been heard too and the strong ones been read to the end?
 *
 * A receiver hears a signal when its reading, blurred by `KNEE_DB`, lies above its floor; and above a ceiling it reads
 * only "at least so much". What was missed and what was cut off take part in the likelihood by their probability: a
 * normal distribution censored at both ends (Tobin, Econometrica 26 (1958) 24-36; two-sided: Rosett and Nelson,
 * Econometrica 43 (1975) 141-146), here with a soft lower end.
 */
import { type Fit, maximiseLikelihood } from "./maximum-likelihood.ts";
import { normalCdf } from "./normal.ts";

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
