/**
 * Did more frames get through in the first period than in the second? Node by node and data rate by data rate, since a
 * slower rate gets through more easily; times of day alike on both sides.
 */

import { intervalT } from "../../statistics/distributions.ts";
import { unpairedDifference } from "../../statistics/proportions.ts";
import type { PresumedCommon } from "../../statistics/series.ts";
import type { Way } from "../../statistics/slow-variation.ts";
import {
  type Estimate,
  movedTogether,
  NOTHING,
  type Periods,
  type Push,
  type Reach,
  reachOf,
  type Spread,
  spreadOf,
} from "./node-effect.ts";
import { lossWays } from "./paired.ts";
import { contradicts, dayWeights, timeVariance, withoutDay } from "./time-of-day.ts";
import type { SentOnce, SequentialNode } from "./verdict.ts";

export interface SequentialDelivery {
  /** a minus b, -1 to 1. */
  readonly difference: Estimate;
  /** Delivery ratios that take part, each node weighing alike on both sides. */
  readonly ratioA: number;
  readonly ratioB: number;
  readonly each: readonly (Estimate | null)[];
  readonly designEffect: number;
  /** Counters that take part: of data rates used in both periods. */
  readonly counters: number;
}

/** Counters of a node at one data rate in each period, or it takes no part. Chosen. */
export const MIN_COUNTERS = 5;
/** Rounding may leave a hair where all or none came through. */
const NEARLY_NONE = 1e-9;

interface Arm {
  readonly ratio: number;
  /** Effective number: the sum of weights. */
  readonly size: number;
  readonly raw: number;
  readonly pushes: readonly Push[];
}

/** Of one period alone: nothing cancels. */
function waysOf(arms: readonly Arm[], slow: number): Way[] {
  return lossWays(
    arms.map(({ raw, ratio }) => ({
      sent: raw,
      a: Math.round(ratio * raw),
      b: raw,
      variance: ratio * (1 - ratio),
    })),
    { own: slow, shared: 0 },
  );
}

interface Stratum {
  readonly node: number;
  readonly dayTaken: boolean;
  readonly weight: number;
  readonly a: Arm;
  readonly b: Arm;
}

/** Null when no data rate of any node was used enough in both periods. */
export function sequentialDelivery(
  nodes: readonly SequentialNode[],
  presumedSlow: number,
  presumedCommon?: PresumedCommon,
): SequentialDelivery | null {
  const strata = nodes.flatMap((node, index) => strataOf(node, index));
  if (strata.length === 0) return null;
  const summary = summarised(strata, presumedSlow, presumedCommon);
  const { reach: _reach, degrees: _degrees, ...shown } = summary;
  return {
    ...shown,
    each: nodes.map((_, index) => {
      const own = strata.filter(({ node }) => node === index);
      return own.length === 0 ? null : summarised(own, presumedSlow, presumedCommon, summary).difference;
    }),
    counters: strata.reduce((sum, { a, b }) => sum + a.raw + b.raw, 0),
  };
}

function strataOf(node: SequentialNode, index: number): Stratum[] {
  const labels = new Set(node.a.map(({ rate }) => rate.label));
  return [...labels].flatMap((label) => {
    const a = node.a.filter(({ rate }) => rate.label === label);
    const b = node.b.filter(({ rate }) => rate.label === label);
    if (Math.min(a.length, b.length) < MIN_COUNTERS) return [];
    const weights = dayWeights(
      a.map(({ atUs }) => atUs),
      b.map(({ atUs }) => atUs),
    );
    const one = armOf(a, weights.a);
    const other = armOf(b, weights.b);
    const pushes = weights.matched ? withoutDay(one.pushes, turned(other.pushes)) : null;
    if (!(one.size > 0) || !(other.size > 0)) return [];
    // Mantel and Haenszel's weights (Greenland and Robins, Biometrics 41 (1985) 55-68): a stratum counts by what both sides hold.
    return [
      {
        node: index,
        dayTaken: weights.matched,
        weight: (one.size * other.size) / (one.size + other.size),
        a: { ...one, pushes: pushes?.a ?? one.pushes },
        b: { ...other, pushes: pushes?.b ?? turned(other.pushes) },
      },
    ];
  });
}

/** What raises the second period lowers the difference. */
function turned(pushes: readonly Push[]): Push[] {
  return pushes.map(({ atUs, by }) => ({ atUs, by: -by }));
}

function armOf(sent: readonly SentOnce[], weightAt: (atUs: number) => number): Arm {
  const weighed = sent.map(({ atUs, heard }) => ({
    atUs,
    got: heard === null ? 0 : 1,
    weight: weightAt(atUs),
  }));
  const size = weighed.reduce((sum, { weight }) => sum + weight, 0);
  const ratio = weighed.reduce((sum, { weight, got }) => sum + weight * got, 0) / Math.max(1e-12, size);
  return {
    ratio,
    size,
    raw: sent.length,
    pushes: weighed.map(({ atUs, got, weight }) => ({ atUs, by: (weight * (got - ratio)) / size })),
  };
}

interface Summary extends Omit<SequentialDelivery, "each" | "counters"> {
  /** Of the difference, in standard errors of independent frames. */
  readonly reach: Reach;
  readonly degrees: number;
}

/** How much more the difference varies than that of independent frames. */
function effectOf(
  periods: Periods,
  plain: number,
  inflated: number,
  { spectra, degrees }: Spread,
  dayTaken: boolean,
  presumedCommon?: PresumedCommon,
): { reach: Reach; degrees: number } {
  if (!(plain > 0)) return { reach: reachOf(1, degrees), degrees };
  const blocks = timeVariance((periods[0] ?? []).flat(), (periods[1] ?? []).flat());
  const variance = Math.max(plain, inflated, contradicts(blocks, inflated) ? blocks.variance : 0);
  const together =
    (periods[0] ?? []).length < 2 ? NOTHING : movedTogether(periods, spectra, dayTaken, presumedCommon);
  const added = together.map((one) => ({ chance: one.chance, variance: one.variance / plain }));
  return { reach: reachOf(variance / plain, degrees, added), degrees };
}

function summarised(
  strata: readonly Stratum[],
  presumedSlow: number,
  presumedCommon: PresumedCommon | undefined,
  common?: Summary,
): Summary {
  const total = strata.reduce((sum, { weight }) => sum + weight, 0);
  const share = (of: (stratum: Stratum) => number) =>
    strata.reduce((sum, stratum) => sum + (stratum.weight / total) * of(stratum), 0);
  const ratioA = share(({ a }) => a.ratio);
  const ratioB = share(({ b }) => b.ratio);
  const pushes = (side: "a" | "b") =>
    strata.map((stratum) =>
      stratum[side].pushes.map(({ atUs, by }) => ({ atUs, by: (by * stratum.weight) / total })),
    );
  const a = pushes("a");
  const b = pushes("b");
  const dayTaken = strata.some((stratum) => stratum.dayTaken);
  const spread = spreadOf(
    [...a, ...b],
    true,
    waysOf([...strata.map(({ a: one }) => one), ...strata.map(({ b: one }) => one)], presumedSlow),
    dayTaken,
  );
  const half = strata.length;
  const sumOf = (from: number, to: number, inflated: boolean) =>
    spread.iid
      .slice(from, to)
      .reduce((sum, iid, k) => sum + iid * (inflated ? (spread.factors[k + from] ?? 1) : 1), 0);
  const plain = sumOf(0, 2 * half, false);
  const { reach, degrees } =
    common ?? effectOf([a, b], plain, sumOf(0, 2 * half, true), spread, dayTaken, presumedCommon);
  const t = intervalT(0.95, degrees);
  const size = (side: "a" | "b", ratio: number, iid: number) => {
    // As many independent frames as make the variance what it is; where all or none came through, as were sent.
    const sent = strata.reduce((sum, stratum) => sum + stratum[side].size, 0);
    return iid > 0 && ratio > NEARLY_NONE && ratio < 1 - NEARLY_NONE ? (ratio * (1 - ratio)) / iid : sent;
  };
  const nA = size("a", ratioA, sumOf(0, half, false));
  const nB = size("b", ratioB, sumOf(half, 2 * half, false));
  const found = unpairedDifference(
    { heard: ratioA * nA, expected: nA },
    { heard: ratioB * nB, expected: nB },
    reach.half,
  ) ?? { estimate: 0, low: -1, high: 1 };
  const error = (found.high - found.low) / (2 * t);
  const test = Math.max(Math.sqrt(plain), (error * t) / reach.half / 2);
  return {
    ratioA,
    ratioB,
    designEffect: (reach.half / t) ** 2,
    reach,
    degrees,
    difference: {
      ...found,
      variance: error * error,
      lastingVariance: 0,
      degrees,
      p: test > 0 ? reach.beyond(Math.abs(found.estimate) / test) : 1,
    },
  };
}
