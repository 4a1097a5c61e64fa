/** What does a trial say in which a gateway stood first here, then there? */
import { PRESUMED_SLOW } from "../../statistics/slow-part.ts";
import type { SequentialEvidence, SequentialNode } from "./evidence.ts";
import { type Estimate, poolNodes } from "./node-effect.ts";
import type { NodeResult } from "./paired-trial.ts";
import { type SequentialDelivery, sequentialDelivery } from "./sequential-delivery.ts";
import { type SequentialEffect, sequentialSnr, strongLosses } from "./sequential-snr.ts";
import { contradicts, timeVariance } from "./time-blocks.ts";

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
  const dayTaken = found.some(({ dayMatched }) => dayMatched);
  const effects = found.map(({ effect, controlled: less }) => (isControlled ? less : effect));
  const pooled = pool(effects, dayTaken);
  const plain = isControlled
    ? pool(
        found.map(({ effect }) => effect),
        dayTaken,
      )
    : null;
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
function pool(effects: readonly (SequentialEffect | null)[], dayTaken: boolean): Pooled | null {
  const places = effects.flatMap((effect, place) => (effect === null ? [] : [{ effect, place }]));
  if (places.length === 0) return null;
  const told = places.map(({ effect }) => effect);
  // Each period is a series of its own: between them nothing hangs together.
  let blockUs = 0;
  const pooled = poolNodes(
    told.map(({ estimate }) => estimate),
    [told.map(({ a }) => a), told.map(({ b }) => b)],
    ([a = [], b = []], variance) => {
      const blocks = timeVariance(a.flat(), b.flat());
      blockUs = blocks.blockUs;
      return contradicts(blocks, variance) ? blocks.variance : 0;
    },
    dayTaken,
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
