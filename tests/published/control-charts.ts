/**
 * Has a level shifted, watching value by value?
 */
import { median, robustSigma } from "../../src/statistics/robust.ts";

export interface CusumOptions {
  /** Level in control. */
  readonly target: number;
  /** Slack in the units of the values: half the shift to be found. */
  readonly k: number;
  /** Decision limit in the units of the values. */
  readonly h: number;
}

export interface CusumResult {
  readonly upper: readonly number[];
  readonly lower: readonly number[];
  /** Index from 0 of the first value at which a sum exceeds h; null when none does. */
  readonly alarmAt: number | null;
  readonly direction: "up" | "down" | null;
}

/** Tabular CUSUM, two-sided. NIST/SEMATECH e-Handbook 6.3.2.3. Assumes independence: feed hourly or daily medians. */
export function cusum(values: readonly number[], options: CusumOptions): CusumResult {
  const upper: number[] = [];
  const lower: number[] = [];
  let high = 0;
  let low = 0;
  let alarmAt: number | null = null;
  let direction: "up" | "down" | null = null;
  values.forEach((value, i) => {
    high = Math.max(0, high + value - options.target - options.k);
    low = Math.max(0, low + options.target - options.k - value);
    upper.push(high);
    lower.push(low);
    if (alarmAt === null && (high > options.h || low > options.h)) {
      alarmAt = i;
      direction = high > options.h ? "up" : "down";
    }
  });
  return { upper, lower, alarmAt, direction };
}

/**
 * Limits from a baseline: k = 1/2 sigma, h = 5 sigma (Montgomery, Introduction to Statistical Quality Control, for a
 * shift of one sigma). Sigma by MAD x 1.4826, at least 1 dB (common practice, no source). Null for an empty baseline.
 */
export function cusumOptionsFrom(baseline: readonly number[], leastSigma = 1): CusumOptions | null {
  const target = median(baseline);
  const sigma = robustSigma(baseline, leastSigma);
  return target === null || sigma === null ? null : { target, k: 0.5 * sigma, h: 5 * sigma };
}

// Does a smoothed level leave its limits?

export interface EwmaOptions {
  readonly target: number;
  readonly sigma: number;
  /** Weight of the newest value, 0.2 to 0.3. */
  readonly lambda?: number;
  /** Limits in sigmas of the smoothed value. */
  readonly limit?: number;
}

export interface EwmaResult {
  readonly smoothed: readonly number[];
  readonly low: number;
  readonly high: number;
  /** Index from 0 of the first smoothed value outside the limits; null when none is. */
  readonly alarmAt: number | null;
}

/**
 * Exponentially weighted moving average with limits target ± L sigma √(lambda/(2 - lambda)).
 * NIST/SEMATECH e-Handbook 6.3.2.4 (from memory). Assumes independence.
 */
export function ewma(values: readonly number[], options: EwmaOptions): EwmaResult {
  const lambda = options.lambda ?? 0.2;
  const reach = (options.limit ?? 3) * options.sigma * Math.sqrt(lambda / (2 - lambda));
  const low = options.target - reach;
  const high = options.target + reach;
  let level = options.target;
  const smoothed = values.map((value) => {
    level = lambda * value + (1 - lambda) * level;
    return level;
  });
  const outside = smoothed.findIndex((z) => z < low || z > high);
  return { smoothed, low, high, alarmAt: outside === -1 ? null : outside };
}
