/**
 * Does one side get more of the frames through, when both could hear them at once? By who heard each counter; what
 * neither heard is counted from the counters.
 */
import { type McNemarResult, mcnemar } from "../../statistics/mcnemar.ts";
import { type PairedCounts, pairedScoreInterval } from "../../statistics/paired-proportions.ts";
import { intervalT } from "../../statistics/student-t.ts";
import type { PairedNode, Sent } from "./evidence.ts";
import { type LossCounts, type LossSlow, lossWays } from "./loss-runs.ts";
import {
  type Added,
  type Estimate,
  movedTogether,
  NOTHING,
  type Push,
  reachOf,
  spreadOf,
} from "./node-effect.ts";

export interface PairedDelivery {
  readonly counts: PairedCounts;
  /** a minus b, -1 to 1. */
  readonly difference: Estimate;
  readonly mcnemar: McNemarResult;
  readonly designEffect: number;
}

export function countsOf(sent: readonly Sent[]): PairedCounts {
  let both = 0;
  let onlyA = 0;
  let onlyB = 0;
  let neither = 0;
  for (const { a, b } of sent) {
    if (a !== null && b !== null) both += 1;
    else if (a !== null) onlyA += 1;
    else if (b !== null) onlyB += 1;
    else neither += 1;
  }
  return { both, onlyA, onlyB, neither };
}

/** How many counters are worth an independent one. */
export interface DesignEffect {
  readonly factor: number;
  readonly degrees: number;
  /** What it may be besides for all nodes together, because something moves them at once. */
  readonly added: readonly Added[];
}

/** The frames of all nodes together; null without frames. */
export function pairedDelivery(nodes: readonly PairedNode[], design: DesignEffect): PairedDelivery | null {
  return judged(countsOf(nodes.flatMap(({ sent }) => sent)), design);
}

/** One node, with the design effect of all. */
export function nodeDelivery(
  sent: readonly Sent[],
  design: Omit<DesignEffect, "added">,
): PairedDelivery | null {
  return judged(countsOf(sent), { ...design, added: NOTHING });
}

/** Nodes weigh by how much they vary: those that lose nothing on either side say nothing. */
export function pairedDesign(nodes: readonly PairedNode[], slow: LossSlow): DesignEffect {
  const pushes = nodes.map(({ sent }) => pushesOf(sent));
  const ways = lossWays(
    nodes.map(({ sent }) => lossOf(sent)),
    slow,
  );
  const { iid, factors, degrees, spectra } = spreadOf(pushes, true, ways);
  const whole = iid.reduce((sum, variance) => sum + variance, 0);
  if (!(whole > 0)) return { factor: 1, degrees, added: NOTHING };
  const inflated = iid.reduce((sum, variance, k) => sum + variance * (factors[k] ?? 1), 0);
  const together = nodes.length < 2 ? NOTHING : movedTogether([pushes], spectra);
  return {
    factor: Math.max(1, inflated / whole),
    degrees,
    added: together.map(({ chance, variance }) => ({ chance, variance: variance / whole })),
  };
}

function lossOf(sent: readonly Sent[]): LossCounts {
  const { both, onlyA, onlyB, neither } = countsOf(sent);
  const count = both + onlyA + onlyB + neither;
  const mean = (onlyA - onlyB) / Math.max(1, count);
  return {
    sent: count,
    a: both + onlyA,
    b: both + onlyB,
    variance: (onlyA + onlyB) / Math.max(1, count) - mean * mean,
  };
}

function judged(counts: PairedCounts, { factor, degrees, added }: DesignEffect): PairedDelivery | null {
  const reach = reachOf(factor, degrees, added);
  const difference = pairedScoreInterval(counts, reach.half);
  if (difference === null) return null;
  const t = intervalT(0.95, degrees);
  const worth = (reach.half / t) ** 2;
  const test = mcnemar(Math.round(counts.onlyA / worth), Math.round(counts.onlyB / worth));
  const discordant = counts.onlyA + counts.onlyB;
  const score = discordant > 0 ? (counts.onlyA - counts.onlyB) / Math.sqrt(discordant) : 0;
  // The binomial test knows few frames better (its mid-p: Fagerland, Lydersen and Laake, BMC Medical Research Methodology
  // 13 (2013) 91); Student's t knows a design effect that rests on little.
  const p = discordant > 0 ? Math.max(test.midP ?? test.p ?? 1, reach.beyond(Math.abs(score))) : 1;
  const error = (difference.high - difference.low) / (2 * t);
  return {
    counts,
    difference: { ...difference, variance: error * error, lastingVariance: 0, degrees, p },
    mcnemar: test,
    designEffect: worth,
  };
}

/** How far each counter moves the node's difference, times the number of counters. */
function pushesOf(sent: readonly Sent[]): Push[] {
  const score = ({ a, b }: Sent) => (a === null ? 0 : 1) - (b === null ? 0 : 1);
  const mean = sent.reduce((sum, one) => sum + score(one), 0) / Math.max(1, sent.length);
  return sent.map((one) => ({ atUs: one.atUs, by: score(one) - mean }));
}
