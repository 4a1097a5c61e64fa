/**
 * How does the difference of one node join that of all? As an estimate, and the pushes that its frames give it: from
 * their sum over time follows how sure it is, however much neighbours in time resemble each other.
 */

import { type PooledEffect, pooledEffect } from "../../statistics/random-effects.ts";
import { longRun, PRESUMED_SLOW } from "../../statistics/slow-part.ts";
import { intervalT, studentTwoSidedP } from "../../statistics/student-t.ts";

/** How far one frame moves an estimate, when. */
export interface Push {
  readonly atUs: number;
  readonly by: number;
}

export interface NodeEffect {
  readonly estimate: number;
  /** In order of time; they sum to about 0. */
  readonly pushes: readonly Push[];
}

/** How the pushes of several nodes hang together in time. */
export interface Spread {
  /** Of each node: variance as if its frames were independent. */
  readonly iid: readonly number[];
  /** And by how much more it varies, for neighbours in time resemble each other. */
  readonly factors: readonly number[];
  readonly degrees: number;
  /** Chance that there is a slow part at all. */
  readonly slowChance: number;
}

/**
 * What makes frames resemble their neighbours (the path, the weather) is much the same for all nodes of a trial, so it
 * is found from all together. `byVariance`: nodes count by how much they vary, where many hardly do (delivery).
 * `presumedSlow`: chance of a slow part, where another measure of the same frames has told.
 */
export function spreadOf(
  nodes: readonly (readonly Push[])[],
  byVariance = false,
  presumedSlow = PRESUMED_SLOW,
): Spread {
  const iid = nodes.map((pushes) => pushes.reduce((sum, { by }) => sum + by * by, 0));
  const largest = Math.max(1e-12, ...iid);
  const { factors, degrees, slowChance } = longRun(
    nodes.map((pushes, k) => {
      const first = pushes[0]?.atUs ?? 0;
      const last = pushes[pushes.length - 1]?.atUs ?? 0;
      return {
        values: pushes.map(({ by }) => by),
        durationS: (last - first) / 1e6,
        weight: byVariance ? (iid[k] ?? 0) / largest : 1,
      };
    }),
    presumedSlow,
  );
  return { iid, factors, degrees, slowChance };
}

export interface Estimate {
  readonly estimate: number;
  readonly low: number;
  readonly high: number;
  readonly variance: number;
  /** The part of the variance that more frames of these nodes would not take away. */
  readonly lastingVariance: number;
  readonly degrees: number;
  readonly p: number;
}

export function estimateOf(estimate: number, variance: number, lasting: number, degrees: number): Estimate {
  const error = Math.sqrt(variance);
  const half = intervalT(0.95, degrees) * error;
  return {
    estimate,
    low: estimate - half,
    high: estimate + half,
    variance,
    lastingVariance: lasting,
    degrees,
    p: error > 0 ? studentTwoSidedP(estimate / error, degrees) : 1,
  };
}

export interface PooledNodes {
  readonly all: Estimate;
  /** One a node, in the given order. */
  readonly each: readonly Estimate[];
  readonly weights: readonly number[];
  readonly slowChance: number;
}

/** Pools nodes by random effects; null without nodes. */
export function poolNodes(effects: readonly NodeEffect[]): PooledNodes | null {
  const { iid, factors, degrees, slowChance } = spreadOf(effects.map(({ pushes }) => pushes));
  const variances = iid.map((variance, k) => Math.max(1e-9, variance * (factors[k] ?? 1)));
  const pooled: PooledEffect | null = pooledEffect(
    effects.map(({ estimate }, k) => ({ estimate, variance: variances[k] ?? 1e-9 })),
    degrees,
  );
  if (pooled === null) return null;
  return {
    all: estimateOf(
      pooled.estimate,
      pooled.variance,
      pooled.differs ? pooled.betweenVariance : 0,
      pooled.degrees,
    ),
    each: effects.map(({ estimate }, k) => estimateOf(estimate, variances[k] ?? 0, 0, degrees)),
    weights: pooled.weights,
    slowChance,
  };
}
