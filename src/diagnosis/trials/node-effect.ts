/**
 * How does the difference of one node join that of all? As an estimate, and the pushes that its frames give it: from
 * their sum over time follows how sure it is, however much neighbours in time resemble each other.
 */
import { intervalT, normalQuantile, studentTwoSidedP } from "../../statistics/distributions.ts";
import type { DifferenceInterval } from "../../statistics/proportions.ts";
import { commonPart, type PresumedCommon } from "../../statistics/series.ts";
import { type LongRun, longRun, type Way } from "../../statistics/slow-variation.ts";

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
export interface Spread extends LongRun {
  /** Of each node: variance as if its frames were independent. */
  readonly iid: readonly number[];
}

/**
 * What makes frames resemble their neighbours (the path, the weather) is much the same for all nodes of a trial, so it
 * is found from all together. `byVariance`: nodes count by how much they vary, where many hardly do (delivery).
 * `ways`: how there may be a slow part, where another measure of the same frames has been judged.
 */
export function spreadOf(
  nodes: readonly (readonly Push[])[],
  byVariance = false,
  ways?: readonly Way[],
  dayTaken = false,
): Spread {
  const iid = nodes.map((pushes) => pushes.reduce((sum, { by }) => sum + by * by, 0));
  const largest = Math.max(1e-12, ...iid);
  const found = longRun(
    nodes.map((pushes, k) => {
      const first = pushes[0]?.atUs ?? 0;
      const last = pushes[pushes.length - 1]?.atUs ?? 0;
      return {
        values: pushes.map(({ by }) => by),
        durationS: (last - first) / 1e6,
        dayTaken,
        weight: byVariance ? (iid[k] ?? 0) / largest : 1,
      };
    }),
    ways,
  );
  return { iid, ...found };
}

export interface Estimate extends DifferenceInterval {
  readonly variance: number;
  /** The part of the variance that more frames of these nodes would not take away. */
  readonly lastingVariance: number;
  readonly degrees: number;
  readonly p: number;
}

/** What may come on top of a variance, with its chance; the chances sum to 1. */
export interface Added {
  readonly chance: number;
  readonly variance: number;
}
export const NOTHING: readonly Added[] = [{ chance: 1, variance: 0 }];

/** How far from the truth an estimate may lie. */
export interface Reach {
  /** Half the width of the 95 % interval. */
  readonly half: number;
  /** Chance to lie further out. */
  readonly beyond: (distance: number) => number;
}

/** With Student's t of so many degrees; `added`: what the variance may be besides, which makes a mixture of them. */
export function reachOf(variance: number, degrees: number, added: readonly Added[] = NOTHING): Reach {
  const likely = added.filter(({ chance }) => chance > 1e-4);
  const sum = likely.reduce((total, { chance }) => total + chance, 0);
  const errors = likely.map((one) => ({
    chance: one.chance / sum,
    error: Math.sqrt(variance + one.variance),
  }));
  const beyond = (distance: number) =>
    errors.reduce(
      (total, { chance, error }) =>
        total + chance * (error > 0 ? studentTwoSidedP(distance / error, degrees) : 0),
      0,
    );
  const t = intervalT(0.95, degrees);
  let half = t * Math.sqrt(variance);
  let most = t * Math.max(0, ...errors.map(({ error }) => error));
  while (most - half > 1e-6 * most) {
    const middle = (half + most) / 2;
    if (beyond(middle) > 0.05) half = middle;
    else most = middle;
  }
  return { half, beyond };
}

function estimateOf(
  estimate: number,
  variance: number,
  lasting: number,
  degrees: number,
  added?: readonly Added[],
): Estimate {
  const { half, beyond } = reachOf(variance, degrees, added);
  return {
    estimate,
    low: estimate - half,
    high: estimate + half,
    variance: (half / intervalT(0.95, degrees)) ** 2,
    lastingVariance: lasting,
    degrees,
    p: half > 0 ? beyond(Math.abs(estimate)) : 1,
  };
}

/**
 * How much more may the sum of all nodes vary because something moves them at once? `periods`: stretches of time between which nothing hangs together, each with the pushes of its nodes as they count in the
 * sum; `spectra`: of these, in the same order.
 */
export function movedTogether(
  periods: Periods,
  spectra: Spread["spectra"],
  dayTaken = false,
  presumed?: PresumedCommon,
): Added[] {
  let at = 0;
  const merged = periods.map((nodes) => {
    const own = nodes.map((pushes) => ({
      iid: pushes.reduce((sum, { by }) => sum + by * by, 0),
      spectrum: spectra[at++] ?? (() => 1),
    }));
    const iid = own.reduce((sum, one) => sum + one.iid, 0);
    const all = nodes.flat().sort((x, y) => x.atUs - y.atUs);
    return {
      iid,
      dayTaken,
      values: all.map(({ by }) => by),
      durationS: ((all[all.length - 1]?.atUs ?? 0) - (all[0]?.atUs ?? 0)) / 1e6,
      expected: (hz: number) =>
        iid > 0 ? own.reduce((sum, one) => sum + one.iid * one.spectrum(hz), 0) / iid : 1,
    };
  });
  return commonPart(merged, presumed).map(({ chance, extra }) => ({
    chance,
    variance: extra.reduce((sum, one, k) => sum + one * (merged[k]?.iid ?? 0), 0),
  }));
}

interface PooledNodes {
  readonly all: Estimate;
  /** One a node, in the given order. */
  readonly each: readonly Estimate[];
  readonly weights: readonly number[];
  readonly slowChance: number;
}

/** For each period of a trial, the pushes of each node in it. */
export type Periods = readonly (readonly (readonly Push[])[])[];

/**
 * Pools nodes by random effects; null without nodes. `leastVariance`: what another look at the pushes, as they count in the
 * sum, makes of its variance; 0 when it has nothing to say. `dayTaken`: whether a daily course was taken off the pushes.
 */
export function poolNodes(
  estimates: readonly number[],
  periods: Periods,
  leastVariance: (counted: Periods, variance: number) => number = () => 0,
  dayTaken = false,
  presumed?: PresumedCommon,
): PooledNodes | null {
  const { iid, factors, degrees, slowChance, spectra } = spreadOf(periods.flat(), false, undefined, dayTaken);
  const variances = estimates.map((_, k) =>
    Math.max(
      1e-9,
      periods.reduce((sum, _period, p) => {
        const at = p * estimates.length + k;
        return sum + (iid[at] ?? 0) * (factors[at] ?? 1);
      }, 0),
    ),
  );
  const pooled = pooledEffect(
    estimates.map((estimate, k) => ({ estimate, variance: variances[k] ?? 1e-9 })),
    degrees,
  );
  if (pooled === null) return null;
  const counted = periods.map((nodes) =>
    nodes.map((pushes, k) => pushes.map(({ atUs, by }) => ({ atUs, by: by * (pooled.weights[k] ?? 0) }))),
  );
  return {
    all: estimateOf(
      pooled.estimate,
      Math.max(pooled.variance, leastVariance(counted, pooled.variance)),
      pooled.differs ? pooled.betweenVariance : 0,
      pooled.degrees,
      estimates.length < 2 ? NOTHING : movedTogether(counted, spectra, dayTaken, presumed),
    ),
    each: estimates.map((estimate, k) => estimateOf(estimate, variances[k] ?? 0, 0, degrees)),
    weights: pooled.weights,
    slowChance,
  };
}

/** Nodes of a trial in which both sides were there at once. */
export function pairedPool(effects: readonly NodeEffect[]): PooledNodes | null {
  return poolNodes(
    effects.map(({ estimate }) => estimate),
    [effects.map(({ pushes }) => pushes)],
  );
}

// Several nodes, each with its own difference: what is the difference over all, and does it hold for the next node too?

interface Effect {
  readonly estimate: number;
  /** Sampling variance of the estimate, above 0. */
  readonly variance: number;
}

interface PooledEffect {
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
