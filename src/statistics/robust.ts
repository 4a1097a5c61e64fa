/**
 * Middle, spread and quantiles that a few wild values cannot move. Thin faces over simple-statistics that answer
 * null for nothing, never NaN.
 */
import { medianAbsoluteDeviation, median as medianOf, quantile as quantileOf } from "simple-statistics";

/** Factor that turns the MAD of normal values into their standard deviation: 1/Φ⁻¹(3/4). */
export const MAD_TO_SIGMA = 1.4826;

/** Median; null for no values. */
export function median(values: readonly number[]): number | null {
  return values.length === 0 ? null : medianOf([...values]);
}

/** Median absolute deviation, not scaled; null for no values. Often 0 for values in whole dB: see `robustSigma`. */
export function mad(values: readonly number[]): number | null {
  return values.length === 0 ? null : medianAbsoluteDeviation([...values]);
}

/**
 * Standard deviation by MAD x 1.4826, never below `floor` (0.5 dB unless told; common practice, no source), because
 * quantised values have a MAD of 0. Null for no values.
 */
export function robustSigma(values: readonly number[], floor = 0.5): number | null {
  const spread = mad(values);
  return spread === null ? null : Math.max(floor, MAD_TO_SIGMA * spread);
}

/** Quantile of type 7 (linear between order statistics; Hyndman and Fan 1996), p from 0 to 1; null for no values. */
export function quantile(values: readonly number[], p: number): number | null {
  return values.length === 0 || !(p >= 0 && p <= 1) ? null : quantileOf([...values], p);
}
