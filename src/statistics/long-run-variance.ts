/**
 * How uncertain is the mean of values that depend on their neighbours? By the sum of their autocorrelations, not by
 * the first alone: white noise over a slow wander has a small first one and a long tail.
 */

export interface Dependence {
  /** Variance of one value. */
  readonly variance: number;
  /** 1 + 2 Σ ρ(k), at least 1: so many values are worth one independent one. */
  readonly integratedTime: number;
  readonly count: number;
}

/** The sum ends at the first lag of so many integrated times. A. Sokal, Monte Carlo Methods in Statistical Mechanics (1996), section 3 (from memory): 4 to 10. */
const WINDOW = 5;

/**
 * Of values on an even grid, null where one is missing: lags count grid steps, so gaps do not bring distant values
 * together. Null with fewer than 4 values. The mean is taken as 0: hand in residuals.
 */
export function dependenceOf(residuals: readonly (number | null)[]): Dependence | null {
  const n = residuals.length;
  let count = 0;
  let power = 0;
  for (const value of residuals) {
    if (value === null) continue;
    count += 1;
    power += value * value;
  }
  if (count < 4) return null;
  const variance = power / count;
  if (variance === 0) return { variance, integratedTime: 1, count };
  let time = 1;
  const mostLag = Math.floor(n / 3);
  for (let lag = 1; lag <= mostLag; lag += 1) {
    let sum = 0;
    let pairs = 0;
    for (let i = lag; i < n; i += 1) {
      const here = residuals[i] ?? null;
      const there = residuals[i - lag] ?? null;
      if (here === null || there === null) continue;
      sum += here * there;
      pairs += 1;
    }
    if (pairs > 0) time += (2 * sum) / pairs / variance;
    if (lag >= WINDOW * Math.max(1, time)) break;
  }
  return { variance, integratedTime: Math.max(1, time), count };
}

/** How many independent values a series in order is worth; long series by the means of up to `most` batches. */
export function effectiveCount(values: readonly number[], most = 512): number {
  const n = values.length;
  if (n < 8) return n;
  const size = Math.ceil(n / most);
  const mean = values.reduce((sum, value) => sum + value, 0) / n;
  const batches: number[] = [];
  let power = 0;
  for (let i = 0; i < n; i += size) {
    const batch = values.slice(i, i + size);
    batches.push(batch.reduce((sum, value) => sum + value, 0) / batch.length - mean);
  }
  for (const value of values) power += (value - mean) ** 2;
  const dependence = dependenceOf(batches);
  if (dependence === null || power === 0) return n;
  const ofMean = (dependence.variance * dependence.integratedTime) / batches.length;
  return Math.min(n, Math.max(1, power / n / ofMean));
}
