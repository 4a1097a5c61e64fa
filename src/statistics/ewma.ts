/**
 * Does a smoothed level leave its limits?
 */

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
