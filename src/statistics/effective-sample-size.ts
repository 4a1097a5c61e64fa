/**
 * How many independent values is an autocorrelated series worth?
 */

/** Correlation of each value with the next; null with fewer than 3 values or no variation. */
export function lag1Autocorrelation(values: readonly number[]): number | null {
  const n = values.length;
  if (n < 3) {
    return null;
  }
  const mean = values.reduce((sum, v) => sum + v, 0) / n;
  let around = 0;
  let along = 0;
  for (let i = 0; i < n; i += 1) {
    const here = (values[i] ?? 0) - mean;
    around += here * here;
    if (i + 1 < n) {
      along += here * ((values[i + 1] ?? 0) - mean);
    }
  }
  return around > 0 ? along / around : null;
}

/**
 * n (1 - rho)/(1 + rho) for a first-order autoregressive series; rho below 0 counts as 0, because alternating
 * series should not pass for more than they have. Never below 1 for a series that has values.
 */
export function effectiveSampleSize(n: number, rho: number | null): number {
  const positive = Math.min(1, Math.max(0, rho ?? 0));
  return n <= 0 ? 0 : Math.max(1, (n * (1 - positive)) / (1 + positive));
}
