/**
 * Tail probabilities and quantiles of the normal distribution, with full precision far out.
 */
import cdf from "@stdlib/stats-base-dists-normal-cdf";
import quantileOf from "@stdlib/stats-base-dists-normal-quantile";

/** P(Z <= z) of the standard normal distribution. */
export function normalCdf(z: number): number {
  return cdf(z, 0, 1);
}

/** P(|Z| >= |z|): two-sided p-value of a z score. */
export function twoSidedP(z: number): number {
  return Math.min(1, 2 * cdf(-Math.abs(z), 0, 1));
}

/** z with P(Z <= z) = p, for p above 0 and below 1. */
export function normalQuantile(p: number): number {
  return quantileOf(p, 0, 1);
}

/** z of a two-sided interval: 1.959964 for confidence 0.95. */
export function intervalZ(confidence: number): number {
  return quantileOf(0.5 + confidence / 2, 0, 1);
}
