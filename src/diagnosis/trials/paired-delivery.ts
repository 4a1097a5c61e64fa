/**
 * Does one side get more of the frames through, when both could hear them at once? By who heard each counter; what
 * neither heard is counted from the counters.
 */
import { type McNemarResult, mcnemar } from "../../statistics/mcnemar.ts";
import { type PairedCounts, pairedDifference } from "../../statistics/paired-proportions.ts";
import { intervalT, studentTwoSidedP } from "../../statistics/student-t.ts";
import type { PairedNode, Sent } from "./evidence.ts";
import { type Estimate, type Push, spreadOf } from "./node-effect.ts";

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
}

/** The frames of all nodes together; null without frames. */
export function pairedDelivery(nodes: readonly PairedNode[], design: DesignEffect): PairedDelivery | null {
  return judged(countsOf(nodes.flatMap(({ sent }) => sent)), design);
}

/** One node, with the design effect of all. */
export function nodeDelivery(sent: readonly Sent[], design: DesignEffect): PairedDelivery | null {
  return judged(countsOf(sent), design);
}

/** Nodes weigh by how much they vary: those that lose nothing on either side say nothing. */
export function pairedDesign(nodes: readonly PairedNode[], presumedSlow: number): DesignEffect {
  const { iid, factors, degrees } = spreadOf(
    nodes.map(({ sent }) => pushesOf(sent)),
    true,
    presumedSlow,
  );
  const whole = iid.reduce((sum, variance) => sum + variance, 0);
  if (!(whole > 0)) return { factor: 1, degrees };
  const inflated = iid.reduce((sum, variance, k) => sum + variance * (factors[k] ?? 1), 0);
  return { factor: Math.max(1, inflated / whole), degrees };
}

function judged(counts: PairedCounts, { factor, degrees }: DesignEffect): PairedDelivery | null {
  const t = intervalT(0.95, degrees);
  const effective = {
    both: counts.both / factor,
    onlyA: counts.onlyA / factor,
    onlyB: counts.onlyB / factor,
    neither: counts.neither / factor,
  };
  const difference = pairedDifference(effective, t);
  if (difference === null) return null;
  const test = mcnemar(Math.round(effective.onlyA), Math.round(effective.onlyB));
  const discordant = effective.onlyA + effective.onlyB;
  const score = discordant > 0 ? (effective.onlyA - effective.onlyB) / Math.sqrt(discordant) : 0;
  // The exact test knows few frames better; Student's t knows a design effect that rests on little.
  const p = discordant > 0 ? Math.max(test.p ?? 1, studentTwoSidedP(score, degrees)) : 1;
  const error = (difference.high - difference.low) / (2 * t);
  return {
    counts,
    difference: { ...difference, variance: error * error, lastingVariance: 0, degrees, p },
    mcnemar: test,
    designEffect: factor,
  };
}

/** How far each counter moves the node's difference, times the number of counters. */
function pushesOf(sent: readonly Sent[]): Push[] {
  const score = ({ a, b }: Sent) => (a === null ? 0 : 1) - (b === null ? 0 : 1);
  const mean = sent.reduce((sum, one) => sum + score(one), 0) / Math.max(1, sent.length);
  return sent.map((one) => ({ atUs: one.atUs, by: score(one) - mean }));
}
