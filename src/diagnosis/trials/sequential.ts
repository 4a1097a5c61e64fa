/** What does a trial say in which a gateway stood first here, then there? */
import { censoredMean } from "../../statistics/censored.ts";
import { median, robustSigma } from "../../statistics/robust.ts";
import type { PresumedCommon } from "../../statistics/series.ts";
import { PRESUMED_SLOW } from "../../statistics/slow-variation.ts";
import { type Estimate, type NodeEffect, type Push, poolNodes } from "./node-effect.ts";
import type { NodeResult } from "./paired.ts";
import { isClear, type SnrMethod } from "./paired-snr.ts";
import { type SequentialDelivery, sequentialDelivery } from "./sequential-delivery.ts";
import { contradicts, dayWeights, timeVariance, withoutDay } from "./time-of-day.ts";
import {
  type Reading,
  type SentOnce,
  type SequentialEvidence,
  type SequentialNode,
  SNR_CEILING_DB,
} from "./verdict.ts";

// By how much did a node's frames come in higher in the first period than in the second? What the floor hides is
// allowed for, only frames sent at one power are compared, and what a gateway saw that stood still is taken off.

interface SequentialEffect extends NodeEffect {
  /** The pushes of each period by themselves. */
  readonly a: readonly Push[];
  readonly b: readonly Push[];
}

export interface SequentialSnr {
  readonly method: SnrMethod | "power unknown";
  readonly effect: SequentialEffect | null;
  /** The same, less what the control saw; null without one. */
  readonly controlled: SequentialEffect | null;
  readonly dayMatched: boolean;
}

export interface OtherLoss {
  readonly a: number;
  readonly b: number;
}

const MIN_HEARD = 8;
const MAX_ABOVE_CEILING = 0.5;
/** Frames of one period that go into one likelihood; of more, every k-th. */
const MAX_FITTED = 4000;
/** A reading further out than this many sigmas is taken in to it: one wild figure must not move a mean. */
const MAX_SIGMAS = 4;

type Side = "heard" | "control";

function sequentialSnr(node: SequentialNode, otherLoss: OtherLoss, hasControl: boolean): SequentialSnr {
  const held = atOnePower(node);
  if (held === null) return { method: "power unknown", effect: null, controlled: null, dayMatched: false };
  const { a, b } = held;
  const weights = dayWeights(times(a), times(b));
  const { method, effect } = change(a, b, weights, "heard", otherLoss);
  const still = hasControl && effect !== null ? change(a, b, weights, "control", otherLoss).effect : null;
  return {
    method,
    effect,
    controlled: effect === null || still === null ? null : lessThan(effect, still),
    dayMatched: weights.matched,
  };
}

function change(
  a: readonly SentOnce[],
  b: readonly SentOnce[],
  weights: ReturnType<typeof dayWeights>,
  side: Side,
  otherLoss: OtherLoss,
): { method: SnrMethod; effect: SequentialEffect | null } {
  const inA = levelOf(a, side, weights.a, otherLoss.a);
  const inB = levelOf(b, side, weights.b, otherLoss.b);
  if (inA.level === null || inB.level === null)
    return { method: inA.level === null ? inA.method : inB.method, effect: null };
  const turned = inB.level.pushes.map(({ atUs, by }) => ({ atUs, by: -by }));
  const { a: pushesA, b: pushesB } = weights.matched
    ? withoutDay(inA.level.pushes, turned)
    : { a: inA.level.pushes, b: turned };
  return {
    method: inA.method === "floor allowed for" ? inA.method : inB.method,
    effect: {
      estimate: inA.level.mean - inB.level.mean,
      a: pushesA,
      b: pushesB,
      pushes: [...pushesA, ...pushesB],
    },
  };
}

/** What stood still is taken off; its frames push the other way. */
function lessThan(effect: SequentialEffect, still: SequentialEffect): SequentialEffect {
  const joined = (own: readonly Push[], other: readonly Push[]) =>
    [...own, ...other.map(({ atUs, by }) => ({ atUs, by: -by }))].sort((x, y) => x.atUs - y.atUs);
  const a = joined(effect.a, still.a);
  const b = joined(effect.b, still.b);
  return { estimate: effect.estimate - still.estimate, a, b, pushes: [...a, ...b] };
}

function times(sent: readonly SentOnce[]): number[] {
  return sent.map(({ atUs }) => atUs);
}

interface Level {
  readonly mean: number;
  readonly pushes: readonly Push[];
}

/** Middle of what one gateway read in one period. */
function levelOf(
  sent: readonly SentOnce[],
  side: Side,
  weightAt: (atUs: number) => number,
  otherLoss: number,
): { method: SnrMethod; level: Level | null } {
  const usable = sent.filter((one) => {
    const reading: Reading | null = one[side];
    return (
      one.rate.floorDb !== null && (reading === null || reading.snrDb !== null) && weightAt(one.atUs) > 0
    );
  });
  const every = Math.ceil(usable.length / MAX_FITTED);
  const kept = every > 1 ? usable.filter((_, i) => i % every === 0) : usable;
  const heard = kept.flatMap((one) => {
    const snrDb = one[side]?.snrDb ?? null;
    return snrDb === null ? [] : [{ snrDb, floorDb: one.rate.floorDb ?? 0 }];
  });
  if (heard.length === 0) return { method: sent.length === 0 ? "too few" : "no snr", level: null };
  if (heard.length < MIN_HEARD) return { method: "too few", level: null };
  const values = heard.map(({ snrDb }) => snrDb);
  const above = values.filter((value) => value >= SNR_CEILING_DB).length / values.length;
  if (above > MAX_ABOVE_CEILING) return { method: "too strong", level: null };
  const middle = median(values) ?? 0;
  const reach = MAX_SIGMAS * (robustSigma(values) ?? 1);
  const tamed = (value: number) => Math.max(middle - reach, Math.min(middle + reach, value));
  const clear =
    above < 0.02 &&
    isClear(
      heard.map(({ snrDb, floorDb }) => snrDb - floorDb),
      0,
    );
  // Far from the floor a missed frame says nothing about the level.
  const readings = kept
    .filter((one) => !clear || one[side] !== null)
    .map((one) => {
      const snrDb = one[side]?.snrDb ?? null;
      return {
        atUs: one.atUs,
        value: snrDb === null ? null : tamed(snrDb),
        floor: one.rate.floorDb ?? 0,
        weight: weightAt(one.atUs),
      };
    });
  const fit = censoredMean(readings, { ceiling: SNR_CEILING_DB, otherLoss });
  if (fit === null) return { method: "too few", level: null };
  return {
    method: clear ? "common frames" : "floor allowed for",
    level: {
      mean: fit.mean,
      pushes: readings.map(({ atUs }, i) => ({ atUs, by: fit.influence[i] ?? 0 })),
    },
  };
}

/**
 * The frames of both periods between two moments at which the network may have changed the node's power; the stretch
 * that holds most of the shorter side. Null when no stretch reaches into both periods.
 */
function atOnePower({ a, b, powerChangesUs }: SequentialNode): { a: SentOnce[]; b: SentOnce[] } | null {
  const cuts = [...powerChangesUs].sort((x, y) => x - y);
  if (cuts.length === 0) return { a: [...a], b: [...b] };
  let best: { a: SentOnce[]; b: SentOnce[] } | null = null;
  for (let i = 0; i <= cuts.length; i++) {
    const from = cuts[i - 1] ?? Number.NEGATIVE_INFINITY;
    const to = cuts[i] ?? Number.POSITIVE_INFINITY;
    const within = (sent: readonly SentOnce[]) => sent.filter(({ atUs }) => atUs >= from && atUs < to);
    const one = { a: within(a), b: within(b) };
    const size = Math.min(one.a.length, one.b.length);
    if (size > Math.min(best?.a.length ?? 0, best?.b.length ?? 0)) best = one;
  }
  return best;
}

/** Share of strong frames that are lost in each period, as in paired trials (see strongLoss). */
function strongLosses(nodes: readonly SequentialNode[]): OtherLoss {
  const of = (side: "a" | "b") => {
    let lost = 0;
    let sent = 0;
    for (const node of nodes) {
      const margins = node[side].flatMap(({ heard, rate }) =>
        heard?.snrDb == null || rate.floorDb === null ? [] : [heard.snrDb - rate.floorDb],
      );
      if (!isClear(margins, 0)) continue;
      lost += node[side].filter(({ heard }) => heard === null).length;
      sent += node[side].length;
    }
    return Math.min(0.5, (lost + 0.5) / (sent + 50));
  };
  return { a: of("a"), b: of("b") };
}

export interface SequentialResult {
  /** Counters sent in both periods. */
  readonly frames: number;
  readonly snr: Estimate | null;
  /** What it would be without the gateway that stood still; null when there is none. */
  readonly uncontrolled: Estimate | null;
  readonly delivery: SequentialDelivery | null;
  readonly nodes: readonly NodeResult<SequentialNode>[];
  /** How many of the nodes were heard at the same times of day in both periods. */
  readonly dayMatched: number;
  readonly blockSeconds: number;
}

/** A control takes part when it tells of so many of the nodes, at least half of them. */
const MIN_CONTROLLED = 0.5;

export function sequentialTrial({ nodes, hasControl, common }: SequentialEvidence): SequentialResult {
  const otherLoss = strongLosses(nodes);
  const found = nodes.map((node) => ({ node, ...sequentialSnr(node, otherLoss, hasControl) }));
  const estimated = found.filter(({ effect }) => effect !== null).length;
  const controlled = found.filter((one) => one.controlled !== null).length;
  const isControlled = controlled > 0 && controlled >= MIN_CONTROLLED * estimated;
  const dayTaken = found.some(({ dayMatched }) => dayMatched);
  const effects = found.map(({ effect, controlled: less }) => (isControlled ? less : effect));
  const pooled = pool(effects, dayTaken, common);
  const plain = isControlled
    ? pool(
        found.map(({ effect }) => effect),
        dayTaken,
        common,
      )
    : null;
  const delivery = sequentialDelivery(nodes, pooled?.slowChance ?? PRESUMED_SLOW, common);
  return {
    frames: nodes.reduce((sum, { a, b }) => sum + a.length + b.length, 0),
    snr: pooled?.all ?? null,
    uncontrolled: plain?.all ?? null,
    delivery,
    nodes: found.map(({ node, method }, k) => ({
      node,
      method: effects[k] === null && method !== "power unknown" && isControlled ? "too few" : method,
      snr: pooled?.each[k] ?? null,
      weight: pooled?.weights[k] ?? 0,
      delivery: delivery?.each[k] ?? null,
    })),
    dayMatched: found.filter(({ dayMatched }) => dayMatched).length,
    blockSeconds: (pooled?.blockUs ?? 0) / 1e6,
  };
}

interface Pooled {
  readonly all: Estimate;
  readonly each: readonly (Estimate | null)[];
  readonly weights: readonly number[];
  readonly slowChance: number;
  readonly blockUs: number;
}

/** Nulls keep their place and take no part. */
function pool(
  effects: readonly (SequentialEffect | null)[],
  dayTaken: boolean,
  common?: PresumedCommon,
): Pooled | null {
  const places = effects.flatMap((effect, place) => (effect === null ? [] : [{ effect, place }]));
  if (places.length === 0) return null;
  const estimated = places.map(({ effect }) => effect);
  // Each period is a series of its own: between them nothing hangs together.
  let blockUs = 0;
  const pooled = poolNodes(
    estimated.map(({ estimate }) => estimate),
    [estimated.map(({ a }) => a), estimated.map(({ b }) => b)],
    ([a = [], b = []], variance) => {
      const blocks = timeVariance(a.flat(), b.flat());
      blockUs = blocks.blockUs;
      return contradicts(blocks, variance) ? blocks.variance : 0;
    },
    dayTaken,
    common,
  );
  if (pooled === null) return null;
  const each: (Estimate | null)[] = effects.map(() => null);
  const weights = effects.map(() => 0);
  places.forEach(({ place }, k) => {
    each[place] = pooled.each[k] ?? null;
    weights[place] = pooled.weights[k] ?? 0;
  });
  return { all: pooled.all, each, weights, slowChance: pooled.slowChance, blockUs };
}
