/**
 * Does a series rise or fall beyond chance?
 */
import { twoSidedP } from "./normal.ts";
import { tieSizesOf } from "./ranks.ts";

export interface MannKendallResult {
  /** Rising pairs minus falling pairs. */
  readonly s: number;
  /** Variance of S with no trend, ties accounted for. */
  readonly varS: number;
  /** With continuity correction; 0 when every value is equal. */
  readonly z: number;
  /** Two-sided; null with fewer than 4 values. Approximate below 10. */
  readonly p: number | null;
  /** Tau-a: S over all pairs; null with fewer than 2 values. */
  readonly tauA: number | null;
  readonly n: number;
  readonly reason: string | null;
}

/**
 * Mann and Kendall's test on values in order of time. R package trend, mk.test, with its continuity correction; the
 * term for ties is needed because RSSI comes in whole dB. Compares every pair: at most 2,000 values, thin first.
 * @param varianceFactor multiplies the variance, n / n_eff for autocorrelated values.
 * @throws RangeError above 2,000 values.
 */
export function mannKendall(values: readonly number[], varianceFactor = 1): MannKendallResult {
  const n = values.length;
  if (n > 2000) {
    throw new RangeError(`Mann-Kendall compares every pair: thin ${n} values to 2000 first.`);
  }
  let s = 0;
  for (let i = 0; i < n; i += 1) {
    const earlier = values[i] ?? 0;
    for (let j = i + 1; j < n; j += 1) {
      const later = values[j] ?? 0;
      s += later > earlier ? 1 : later < earlier ? -1 : 0;
    }
  }
  const tied = tieSizesOf(values).reduce((sum, t) => sum + t * (t - 1) * (2 * t + 5), 0);
  const varS = (varianceFactor * (n * (n - 1) * (2 * n + 5) - tied)) / 18;
  const z = varS > 0 ? (s - Math.sign(s)) / Math.sqrt(varS) : 0;
  const enough = n >= 4;
  return {
    s,
    varS,
    z,
    p: enough ? twoSidedP(z) : null,
    tauA: n >= 2 ? s / ((n * (n - 1)) / 2) : null,
    n,
    reason: enough ? null : `${n} values are too few; 4 are needed.`,
  };
}
