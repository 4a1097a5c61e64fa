/**
 * Where does the level of a series change, if it does?
 */

export interface PettittResult {
  /** Largest |U_t|. */
  readonly k: number;
  /** Values before the change: the change lies after the t-th. */
  readonly t: number;
  /** Two-sided, approximate, rough below 30 values; null with fewer than 4. */
  readonly p: number | null;
  readonly reason: string | null;
}

/**
 * Pettitt's test for one change point: K = max |U_t|, p = 2 exp(-6K²/(n³+n²)). Pettitt, Applied Statistics 28 (1979)
 * 126-135. Void under autocorrelation: feed hourly or daily medians.
 * @param effectiveShare n_eff / n: scales the exponent for what autocorrelation remains; 1 for independent values.
 */
export function pettitt(values: readonly number[], effectiveShare = 1): PettittResult {
  const n = values.length;
  if (n < 4) {
    return { k: 0, t: 0, p: null, reason: `${n} values are too few; 4 are needed.` };
  }
  // U_t = U_{t-1} + sum_j sgn(x_t - x_j); the sum is (values below) - (values above), read off the sorted list.
  const sorted = Float64Array.from(values).sort();
  let u = 0;
  let k = 0;
  let t = 0;
  for (let i = 0; i < n - 1; i += 1) {
    const value = values[i] ?? 0;
    const below = countWhere(sorted, (v) => v < value);
    const notAbove = countWhere(sorted, (v) => v <= value);
    u += below - (n - notAbove);
    if (Math.abs(u) > k) {
      k = Math.abs(u);
      t = i + 1;
    }
  }
  const p = Math.min(1, 2 * Math.exp((-6 * k * k * effectiveShare) / (n ** 3 + n ** 2)));
  return { k, t, p, reason: null };
}

/** Length of the leading run of a sorted list for which the condition holds. */
function countWhere(sorted: Float64Array, holds: (value: number) => boolean): number {
  let low = 0;
  let high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (holds(sorted[middle] ?? 0)) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low;
}
