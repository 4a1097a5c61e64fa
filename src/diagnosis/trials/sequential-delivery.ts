/**
 * Did more frames get through in the first period than in the second? Node by node and data rate by data rate, since a
 * slower rate gets through more easily; times of day alike on both sides.
 */
import { unpairedDifference } from "../../statistics/paired-proportions.ts";
import { intervalT, studentTwoSidedP } from "../../statistics/student-t.ts";
import type { SentOnce, SequentialNode } from "./evidence.ts";
import { type Estimate, type Push, spreadOf } from "./node-effect.ts";
import { timeVariance } from "./time-blocks.ts";
import { dayWeights } from "./time-of-day.ts";

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
export const FEWEST_COUNTERS = 5;
/** Rounding may leave a hair where all or none came through. */
const NEARLY_NONE = 1e-9;

interface Arm {
  readonly ratio: number;
  /** Effective number: the sum of weights. */
  readonly size: number;
  readonly raw: number;
  readonly pushes: readonly Push[];
}

interface Stratum {
  readonly node: number;
  readonly weight: number;
  readonly a: Arm;
  readonly b: Arm;
}

/** Null when no data rate of any node was used enough in both periods. */
export function sequentialDelivery(
  nodes: readonly SequentialNode[],
  presumedSlow: number,
): SequentialDelivery | null {
  const strata = nodes.flatMap((node, index) => strataOf(node, index));
  if (strata.length === 0) return null;
  const summary = summarised(strata, presumedSlow);
  return {
    ...summary,
    each: nodes.map((_, index) => {
      const own = strata.filter(({ node }) => node === index);
      return own.length === 0 ? null : summarised(own, presumedSlow, summary).difference;
    }),
    counters: strata.reduce((sum, { a, b }) => sum + a.raw + b.raw, 0),
  };
}

function strataOf(node: SequentialNode, index: number): Stratum[] {
  const labels = new Set(node.a.map(({ rate }) => rate.label));
  return [...labels].flatMap((label) => {
    const a = node.a.filter(({ rate }) => rate.label === label);
    const b = node.b.filter(({ rate }) => rate.label === label);
    if (Math.min(a.length, b.length) < FEWEST_COUNTERS) return [];
    const weights = dayWeights(
      a.map(({ atUs }) => atUs),
      b.map(({ atUs }) => atUs),
    );
    const one = armOf(a, weights.a);
    const other = armOf(b, weights.b);
    if (!(one.size > 0) || !(other.size > 0)) return [];
    // Mantel and Haenszel's weights (Greenland and Robins, Biometrics 41 (1985) 55-68): a stratum counts by what both sides hold.
    return [{ node: index, weight: (one.size * other.size) / (one.size + other.size), a: one, b: other }];
  });
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

function summarised(
  strata: readonly Stratum[],
  presumedSlow: number,
  common?: Pick<SequentialDelivery, "designEffect" | "difference">,
): Omit<SequentialDelivery, "each" | "counters"> {
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
  const spread = spreadOf([...a, ...b], true, presumedSlow);
  const sumOf = (from: number, to: number, inflated: boolean) =>
    spread.iid
      .slice(from, to)
      .reduce((sum, iid, k) => sum + iid * (inflated ? (spread.factors[k + from] ?? 1) : 1), 0);
  const half = strata.length;
  const plain = sumOf(0, 2 * half, false);
  const blocks = timeVariance(a.flat(), b.flat()).variance;
  const inflated = Math.max(plain, sumOf(0, 2 * half, true), blocks);
  const factor = common?.designEffect ?? (plain > 0 ? inflated / plain : 1);
  const degrees = common?.difference.degrees ?? spread.degrees;
  const t = intervalT(0.95, degrees);
  const size = (side: "a" | "b", ratio: number, iid: number) => {
    // As many independent frames as make the variance what it is; where all or none came through, as were sent.
    const sent = strata.reduce((sum, stratum) => sum + stratum[side].size, 0);
    return iid > 0 && ratio > NEARLY_NONE && ratio < 1 - NEARLY_NONE
      ? (ratio * (1 - ratio)) / (iid * factor)
      : sent / factor;
  };
  const nA = size("a", ratioA, sumOf(0, half, false));
  const nB = size("b", ratioB, sumOf(half, 2 * half, false));
  const found = unpairedDifference(
    { heard: ratioA * nA, expected: nA },
    { heard: ratioB * nB, expected: nB },
    t,
  ) ?? { estimate: 0, low: -1, high: 1 };
  const error = (found.high - found.low) / (2 * t);
  const test = Math.sqrt(plain * factor);
  return {
    ratioA,
    ratioB,
    designEffect: factor,
    difference: {
      ...found,
      variance: error * error,
      lastingVariance: 0,
      degrees,
      p: test > 0 ? studentTwoSidedP(found.estimate / Math.max(test, error / 2), degrees) : 1,
    },
  };
}
