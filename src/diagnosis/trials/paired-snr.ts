/**
 * By how much does one side read a node's frames higher, when both could hear them at once? On common frames where
 * neither floor nor ceiling has a say, else with what they hide allowed for.
 */
import { censoredPairDifference } from "../../statistics/censored-pairs.ts";
import { intervalZ } from "../../statistics/distributions.ts";
import type { CensoredPair } from "../../statistics/pair-likelihood.ts";
import { quantile, rankWithTies } from "../../statistics/robust.ts";
import { hodgesLehmann } from "../../statistics/signed-rank.ts";
import type { NodeEffect, Push } from "./node-effect.ts";
import { CLEAR_OF_FLOOR_DB, type Sent, SNR_CEILING_DB } from "./verdict.ts";

export type SnrMethod = "common frames" | "floor allowed for" | "too strong" | "too few" | "no snr";

export interface NodeSnr {
  readonly method: SnrMethod;
  /** null: no difference can be estimated. */
  readonly effect: NodeEffect | null;
}

/** A frame with an SNR of at least one side. */
interface Pair extends CensoredPair {
  readonly atUs: number;
}

/** Common frames of a node at one data rate below which nothing is said. Chosen. */
const MIN_COMMON = 8;
/** Above this share beyond the ceiling the middle of a reading is a guess. Chosen. */
const MAX_ABOVE_CEILING = 0.5;
/** The pairwise averages of more differences would not fit a moment; ranks keep their shape. */
const MAX_AVERAGED = 400;
/** Frames of one node and data rate that go into one likelihood; of more, every k-th. */
const MAX_FITTED = 4000;

/** The frames of a node at one data rate, as far as they tell of levels. */
export interface Stratum {
  readonly label: string;
  readonly floorDb: number | null;
  readonly pairs: readonly Pair[];
  readonly a: readonly number[];
  readonly b: readonly number[];
  /** Whether a side reads clear of the floor. */
  readonly aClear: boolean;
  readonly bClear: boolean;
}

/** Of each data rate its own difference. `otherLoss`: share of frames that a side misses although they are strong (see strongLoss). */
export function snrByRate(strata: readonly Stratum[], otherLoss: number): ReadonlyMap<string, NodeSnr> {
  return new Map(strata.map((stratum) => [stratum.label, stratumSnr(stratum, otherLoss)]));
}

/** The difference of a node over its data rates. */
export function pairedSnr(byRate: ReadonlyMap<string, NodeSnr>): NodeSnr {
  const strata = [...byRate.values()];
  const estimated = strata.flatMap(({ effect }) => (effect === null ? [] : [effect]));
  if (estimated.length === 0) return { method: worstReason(strata), effect: null };
  const isCensored = strata.some(({ method, effect }) => effect !== null && method === "floor allowed for");
  return { method: isCensored ? "floor allowed for" : "common frames", effect: combined(estimated) };
}

/** Of several reasons the one that says most. */
function worstReason(strata: readonly NodeSnr[]): SnrMethod {
  const reasons = strata.map(({ method }) => method);
  if (reasons.includes("too strong")) return "too strong";
  return reasons.includes("too few") || reasons.length === 0 ? "too few" : "no snr";
}

/** Data rates of one node, each weighing by its own sureness. */
function combined(effects: readonly NodeEffect[]): NodeEffect {
  const [only] = effects;
  if (only !== undefined && effects.length === 1) return only;
  const raw = effects.map(
    ({ pushes }) =>
      1 /
      Math.max(
        1e-9,
        pushes.reduce((sum, { by }) => sum + by * by, 0),
      ),
  );
  const total = raw.reduce((sum, weight) => sum + weight, 0);
  const shares = raw.map((weight) => weight / total);
  return {
    estimate: effects.reduce((sum, { estimate }, i) => sum + (shares[i] ?? 0) * estimate, 0),
    pushes: effects
      .flatMap(({ pushes }, i) => pushes.map(({ atUs, by }) => ({ atUs, by: by * (shares[i] ?? 0) })))
      .sort((x, y) => x.atUs - y.atUs),
  };
}

/** What the frames of one node say of levels, by data rate. */
export function strataOf(sent: readonly Sent[]): Stratum[] {
  const byRate = new Map<string, { readonly floorDb: number | null; readonly pairs: Pair[] }>();
  for (const { atUs, rate, a, b } of sent) {
    if (a === null && b === null) continue;
    let stratum = byRate.get(rate.label);
    if (stratum === undefined) {
      stratum = { floorDb: rate.floorDb, pairs: [] };
      byRate.set(rate.label, stratum);
    }
    // Heard without a figure is neither a reading nor a miss.
    if ((a !== null && a.snrDb === null) || (b !== null && b.snrDb === null)) continue;
    stratum.pairs.push({ atUs, a: a?.snrDb ?? null, b: b?.snrDb ?? null });
  }
  return [...byRate].map(([label, { floorDb, pairs }]) => {
    const a: number[] = [];
    const b: number[] = [];
    for (const pair of pairs) {
      if (pair.a !== null) a.push(pair.a);
      if (pair.b !== null) b.push(pair.b);
    }
    const clear = (values: readonly number[]) => floorDb !== null && isClear(values, floorDb);
    return { label, floorDb, pairs, a, b, aClear: clear(a), bClear: clear(b) };
  });
}

function stratumSnr({ floorDb, pairs, a, b, aClear, bClear }: Stratum, otherLoss: number): NodeSnr {
  if (floorDb === null || pairs.length === 0) return { method: "no snr", effect: null };
  const common = pairs.filter((pair) => pair.a !== null && pair.b !== null);
  if (common.length < MIN_COMMON) return { method: "too few", effect: null };
  const above = Math.max(shareAbove(a), shareAbove(b));
  if (above > MAX_ABOVE_CEILING) return { method: "too strong", effect: null };
  if (aClear && bClear && above < 0.02) return { method: "common frames", effect: shiftOf(common) };
  const every = Math.ceil(pairs.length / MAX_FITTED);
  const kept = every === 1 ? pairs : pairs.filter((_, i) => i % every === 0);
  const fit = censoredPairDifference(kept, { floor: floorDb, ceiling: SNR_CEILING_DB, otherLoss });
  if (fit === null) return { method: "too few", effect: null };
  return {
    method: "floor allowed for",
    effect: {
      estimate: fit.difference,
      pushes: kept.map(({ atUs }, i) => ({ atUs, by: fit.influence[i] ?? 0 })),
    },
  };
}

function shareAbove(values: readonly number[]): number {
  return values.filter((value) => value >= SNR_CEILING_DB).length / Math.max(1, values.length);
}

export function isClear(heard: readonly number[], floorDb: number): boolean {
  const tenth = quantile(heard, 0.1);
  return tenth !== null && tenth - floorDb >= CLEAR_OF_FLOOR_DB;
}

/**
 * Hodges and Lehmann's shift. What one frame does to it follows from its rank (Hodges and Lehmann, Annals of Mathematical
 * Statistics 34 (1963) 598-611: the variance is 1 / (12 n q^2), q the integral of the squared density, here taken back
 * from the width of the interval).
 */
function shiftOf(common: readonly Pair[]): NodeEffect | null {
  const differences = common.map(({ a, b }) => (a ?? 0) - (b ?? 0));
  const few = thinned(differences);
  const { estimate, low, high } = hodgesLehmann(few);
  if (estimate === null || low === null || high === null) return null;
  const n = common.length;
  // Readings come in steps: a width of 0 would claim to know more than a step.
  const width = Math.max(0.02, high - low);
  const scale = ((width / 2 / intervalZ(0.95)) * Math.sqrt(12 * few.length)) / n;
  const { ranks } = rankWithTies(differences);
  const pushes: Push[] = common.map(({ atUs }, i) => ({
    atUs,
    by: scale * (((ranks[i] ?? 0) - 0.5) / n - 0.5),
  }));
  return { estimate, pushes };
}

function thinned(values: readonly number[]): number[] {
  const sorted = [...values].sort((x, y) => x - y);
  if (sorted.length <= MAX_AVERAGED) return sorted;
  return Array.from(
    { length: MAX_AVERAGED },
    (_, i) => sorted[Math.floor(((i + 0.5) * sorted.length) / MAX_AVERAGED)] ?? 0,
  );
}

/**
 * Share of frames that are lost although both sides are strong: collisions, busy demodulators. From nodes far above the
 * floor, with a little held back for what a short trial has not seen (half a loss in 50 frames; chosen).
 */
export function strongLoss(nodes: readonly (readonly Stratum[])[]): number {
  let lost = 0;
  let sides = 0;
  for (const { pairs, a, b, aClear, bClear } of nodes.flat()) {
    if (!aClear || !bClear) continue;
    lost += 2 * pairs.length - a.length - b.length;
    sides += 2 * pairs.length;
  }
  return Math.min(0.5, (lost + 0.5) / (sides + 50));
}
