/** What does a trial say in which a gateway stood first here, then there? */
import { pooledEffect } from "../../statistics/random-effects.ts";
import { PRESUMED_SLOW } from "../../statistics/slow-part.ts";
import type { SequentialEvidence, SequentialNode } from "./evidence.ts";
import { type Estimate, estimateOf, spreadOf } from "./node-effect.ts";
import type { NodeResult } from "./paired-trial.ts";
import { type SequentialDelivery, sequentialDelivery } from "./sequential-delivery.ts";
import { type SequentialEffect, sequentialSnr, strongLosses } from "./sequential-snr.ts";
import { timeVariance } from "./time-blocks.ts";

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
const LEAST_CONTROLLED = 0.5;

export function sequentialTrial({ nodes, hasControl }: SequentialEvidence): SequentialResult {
  const otherLoss = strongLosses(nodes);
  const found = nodes.map((node) => ({ node, ...sequentialSnr(node, otherLoss, hasControl) }));
  const told = found.filter(({ effect }) => effect !== null).length;
  const controlled = found.filter((one) => one.controlled !== null).length;
  const isControlled = controlled > 0 && controlled >= LEAST_CONTROLLED * told;
  const effects = found.map(({ effect, controlled: less }) => (isControlled ? less : effect));
  const pooled = pool(effects);
  const plain = isControlled ? pool(found.map(({ effect }) => effect)) : null;
  const delivery = sequentialDelivery(nodes, pooled?.slowChance ?? PRESUMED_SLOW);
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
function pool(effects: readonly (SequentialEffect | null)[]): Pooled | null {
  const places = effects.flatMap((effect, place) => (effect === null ? [] : [{ effect, place }]));
  if (places.length === 0) return null;
  const told = places.map(({ effect }) => effect);
  // Each period is a series of its own: between them nothing hangs together.
  const spread = spreadOf([...told.map(({ a }) => a), ...told.map(({ b }) => b)]);
  const variance = (k: number) => (spread.iid[k] ?? 0) * (spread.factors[k] ?? 1);
  const variances = told.map((_, k) => Math.max(1e-9, variance(k) + variance(k + told.length)));
  const pooled = pooledEffect(
    told.map(({ estimate }, k) => ({ estimate, variance: variances[k] ?? 1e-9 })),
    spread.degrees,
  );
  if (pooled === null) return null;
  const weighed = (side: "a" | "b") =>
    told.flatMap((effect, k) =>
      effect[side].map(({ atUs, by }) => ({ atUs, by: by * (pooled.weights[k] ?? 0) })),
    );
  const blocks = timeVariance(weighed("a"), weighed("b"));
  const within = Math.max(pooled.variance - pooled.betweenVariance, blocks.variance);
  const all = estimateOf(
    pooled.estimate,
    within + pooled.betweenVariance,
    pooled.differs ? pooled.betweenVariance : 0,
    pooled.degrees,
  );
  const each: (Estimate | null)[] = effects.map(() => null);
  const weights = effects.map(() => 0);
  places.forEach(({ effect, place }, k) => {
    each[place] = estimateOf(effect.estimate, variances[k] ?? 1e-9, 0, spread.degrees);
    weights[place] = pooled.weights[k] ?? 0;
  });
  return { all, each, weights, slowChance: spread.slowChance, blockUs: blocks.blockUs };
}
