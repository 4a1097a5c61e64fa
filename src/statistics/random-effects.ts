/**
 * Several nodes, each with its own difference: what is the difference over all, and does it hold for the next node too?
 */
import { normalQuantile } from "./distributions.ts";

export interface Effect {
  readonly estimate: number;
  /** Sampling variance of the estimate, above 0. */
  readonly variance: number;
}

export interface PooledEffect {
  readonly estimate: number;
  readonly variance: number;
  /** Of it, what comes of nodes that differ among themselves. */
  readonly betweenVariance: number;
  /** Whether they do differ beyond chance (Cochran's Q above its 99th percentile), so that more values of each do not help. */
  readonly differs: boolean;
  /** Variance of the true differences between nodes. */
  readonly tauSquared: number;
  /** Degrees of freedom for a t interval. */
  readonly degrees: number;
  /** Share of each effect in the estimate; they sum to 1. */
  readonly weights: readonly number[];
}

/**
 * Random-effects mean: each effect weighs by 1 / (its variance + variance between nodes), the latter after Paule and
 * Mandel, Journal of Research of the National Bureau of Standards 87 (1982) 377-385. `degrees`: of the sampling variances
 * together. Where nodes are found to differ, the variance of the mean is what their scatter says, whose degrees are one
 * fewer than the nodes (Follmann and Proschan, Biometrics 55 (1999) 732-737; Hartung and Knapp, Statistics in Medicine 20
 * (2001) 3875-3889); it is never less than the sampling variances make it. Null without effects.
 */
export function pooledEffect(effects: readonly Effect[], degrees: number): PooledEffect | null {
  if (effects.length === 0) return null;
  const tauSquared = betweenNodes(effects);
  const raw = effects.map(({ variance }) => 1 / (variance + tauSquared));
  const total = raw.reduce((sum, weight) => sum + weight, 0);
  const weights = raw.map((weight) => weight / total);
  let estimate = 0;
  let within = 0;
  let between = 0;
  effects.forEach((effect, i) => {
    const weight = weights[i] ?? 0;
    estimate += weight * effect.estimate;
    within += weight * weight * effect.variance;
    between += weight * weight * tauSquared;
  });
  const own = effects.length - 1;
  if (!(tauSquared > 0)) within *= (degrees + deviation(effects, 0)) / (degrees + own);
  return {
    estimate,
    variance: within + between,
    betweenVariance: between,
    differs: effects.length > 1 && deviation(effects, 0) > chiSquared99(effects.length - 1),
    tauSquared,
    degrees: tauSquared > 0 ? own : degrees + own,
    weights,
  };
}

/** Wilson and Hilferty's approximation (Abramowitz and Stegun 26.4.17). */
function chiSquared99(degrees: number): number {
  const ninth = 2 / (9 * degrees);
  return degrees * (1 - ninth + normalQuantile(0.99) * Math.sqrt(ninth)) ** 3;
}

/** The variance between nodes at which the weighted squares of deviations are as large as chance makes them. */
function betweenNodes(effects: readonly Effect[]): number {
  if (effects.length < 2) return 0;
  const expected = effects.length - 1;
  if (deviation(effects, 0) <= expected) return 0;
  let low = 0;
  let high = 1;
  while (deviation(effects, high) > expected && high < 1e9) high *= 2;
  for (let step = 0; step < 60; step++) {
    const middle = (low + high) / 2;
    if (deviation(effects, middle) > expected) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

function deviation(effects: readonly Effect[], tauSquared: number): number {
  let total = 0;
  let weighted = 0;
  for (const { estimate, variance } of effects) {
    total += 1 / (variance + tauSquared);
    weighted += estimate / (variance + tauSquared);
  }
  const mean = weighted / total;
  return effects.reduce(
    (sum, { estimate, variance }) => sum + (estimate - mean) ** 2 / (variance + tauSquared),
    0,
  );
}
