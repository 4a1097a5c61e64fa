/** What does a trial say in which both sides could hear the same frames at once? */

import { intervalT } from "../../statistics/distributions.ts";
import {
  type McNemarResult,
  mcnemar,
  type PairedCounts,
  pairedScoreInterval,
} from "../../statistics/proportions.ts";
import { PRESUMED_SLOW, type Way } from "../../statistics/slow-variation.ts";
import {
  type Added,
  type Estimate,
  movedTogether,
  NOTHING,
  type Push,
  pairedPool,
  reachOf,
  spreadOf,
} from "./node-effect.ts";
import { type NodeSnr, pairedSnr, type SnrMethod, snrByRate, strataOf, strongLoss } from "./paired-snr.ts";
import type { PairedEvidence, PairedNode, Sent } from "./verdict.ts";

// How far can losses come in runs? What is known of the level tells: a chance of loss that wanders shows in the frames only
// as far as it can vary.

interface LossSlow {
  /** Chance that the difference of level has a slow part. */
  readonly own: number;
  /** Chance that a level has one which both sides share. */
  readonly shared: number;
}

/** Counters of a node and what either side heard of them. */
interface LossCounts {
  readonly sent: number;
  readonly a: number;
  readonly b: number;
  /** Variance of one frame's difference. */
  readonly variance: number;
}

/** Chance that losses come in bursts which the level does not show: interference, a busy gateway. Chosen. */
const BURSTS = 0.05;

/**
 * A log-odds that wanders by sigma makes the chance of being heard wander by sigma p (1 - p) (delta method): squared, and
 * over the variance of one frame, that is the share of the slow part. What both sides share cancels where they lose alike.
 * Scaled so that a chance of one half shows all of it.
 */
export function lossWays(nodes: readonly LossCounts[], { own, shared }: LossSlow): Way[] {
  const shows = (squares: (node: LossCounts) => number) =>
    nodes.map((node) =>
      node.variance > 0 ? Math.max(0, Math.min(1, (4 * squares(node)) / node.variance)) : 0,
    );
  const eachOwn = shows(({ sent, a, b }) => squared(a, sent) + squared(b, sent));
  const bothAlike = shows(
    ({ sent, a, b }) => squared(a, sent) + squared(b, sent) - 2 * spread(a, sent) * spread(b, sent),
  );
  const rest = 1 - BURSTS;
  return [
    { chance: rest * own, showing: eachOwn },
    { chance: rest * (1 - own) * shared, showing: bothAlike },
    { chance: BURSTS },
  ];
}

/** p (1 - p) without bias. */
function spread(heard: number, sent: number): number {
  return sent < 2 ? 0 : (heard * (sent - heard)) / (sent * (sent - 1));
}

/** Its square without bias, by factorial moments: one loss alone cannot tell of a chance that wanders. */
function squared(heard: number, sent: number): number {
  const lost = sent - heard;
  return sent < 4
    ? 0
    : (heard * (heard - 1) * lost * (lost - 1)) / (sent * (sent - 1) * (sent - 2) * (sent - 3));
}

// Does one side get more of the frames through, when both could hear them at once? By who heard each counter; what
// neither heard is counted from the counters.

interface PairedDelivery {
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
function pairedDelivery(nodes: readonly PairedNode[], design: DesignEffect): PairedDelivery | null {
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
function pairedDesign(nodes: readonly PairedNode[], slow: LossSlow): DesignEffect {
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

export interface NodeResult<Node> {
  readonly node: Node;
  readonly method: SnrMethod | "power unknown";
  readonly snr: Estimate | null;
  readonly weight: number;
  readonly delivery: Estimate | null;
}

export interface PairedResult {
  /** Counters sent by all nodes. */
  readonly frames: number;
  readonly snr: Estimate | null;
  readonly delivery: PairedDelivery | null;
  /** Share of strong frames that a side loses for other reasons than the floor. */
  readonly otherLoss: number;
  readonly nodes: readonly NodeResult<PairedNode>[];
  /** Of each node, what its frames at one data rate say, by the rate's label. */
  readonly byRate: readonly ReadonlyMap<string, NodeSnr>[];
}

/**
 * A node's own row speaks of its own frames, which are many. That few nodes lose anything makes the answer for all
 * uncertain, not what was counted of this one.
 */
const OWN_DEGREES = 200;
/** Chance that losses follow a slow fading which both sides share. Chosen. */
const SHARED_SLOW = 0.5;

export function pairedTrial({ nodes }: PairedEvidence): PairedResult {
  const strata = nodes.map(({ sent }) => strataOf(sent));
  const otherLoss = strongLoss(strata);
  const byRate = strata.map((own) => snrByRate(own, otherLoss));
  const found = nodes.map((node, k) => ({ node, ...pairedSnr(byRate[k] ?? new Map()) }));
  const estimated = found.flatMap(({ effect }) => (effect === null ? [] : [effect]));
  const pooled = pairedPool(estimated);
  // What changes the SNR difference slowly makes losses come in runs, and so does a fading that both sides share, which the
  // difference does not show.
  const design = pairedDesign(nodes, { own: pooled?.slowChance ?? PRESUMED_SLOW, shared: SHARED_SLOW });
  let at = -1;
  return {
    frames: nodes.reduce((sum, { sent }) => sum + sent.length, 0),
    snr: pooled?.all ?? null,
    delivery: pairedDelivery(nodes, design),
    otherLoss,
    byRate,
    nodes: found.map(({ node, method, effect }) => {
      if (effect !== null) at += 1;
      return {
        node,
        method,
        snr: effect === null ? null : (pooled?.each[at] ?? null),
        weight: effect === null ? 0 : (pooled?.weights[at] ?? 0),
        delivery:
          nodeDelivery(node.sent, { factor: design.factor, degrees: OWN_DEGREES })?.difference ?? null,
      };
    }),
  };
}
