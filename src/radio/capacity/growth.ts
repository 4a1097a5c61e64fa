/**
 * How many more nodes like these does a site carry until delivery falls below a share?
 *
 * Delivery was measured, so only what more traffic takes away is calculated. A frame that was heard would be heard among
 * g times the site's own traffic more with chance exp(-g e), e being its expected spoilers by that traffic
 * (exposure.ts), times the chance that a demodulator is free (Erlang's B), over what it is now. Frames that were lost
 * stay lost. The delivery of the grown site is the mean over counters expected, each standing for its copies too. So
 * strangers, noise and weak links count by what they take today, seen or not.
 *
 * The interval: blocks of time are drawn with replacement (Efron and Tibshirani 1993, chapter 6), with their load, and so
 * are the nodes that are added; its ends are those of the two extreme rules of capture, with 8 and with 16 demodulators.
 */
import { erlangB } from "../collisions.ts";
import type { CaptureRule, Exposure } from "./exposure.ts";

/** A counter that was heard, by one transmission or by several; evenly thinned where there are many. */
export interface HeardCounter {
  readonly node: number;
  readonly block: number;
  readonly transmissions: readonly {
    /** To the site's own mean traffic, once more. */
    readonly exposure: Exposure;
    /** Row ids of the gateways that heard it. */
    readonly gateways: readonly number[];
  }[];
}

export interface GrowthEvidence {
  readonly nodes: number;
  readonly blocks: number;
  /** Counters expected, and those heard: by node, then by block. */
  readonly expected: readonly (readonly number[])[];
  readonly heardOf: readonly (readonly number[])[];
  /** Own airtime sent over the mean of all blocks, by block. */
  readonly loadOfBlock: readonly number[];
  /** Share of the own airtime, by node. */
  readonly loadOfNode: readonly number[];
  readonly heard: readonly HeardCounter[];
  /** Airtime that reaches each gateway, Erlang: of everybody, and the part of one's own nodes. */
  readonly erlang: ReadonlyMap<number, { readonly all: number; readonly own: number }>;
}

export interface Estimate {
  readonly value: number;
  readonly low: number;
  readonly high: number;
}

export interface GrowthAnswer {
  /** As it is now: share of counters delivered. */
  readonly delivery: Estimate;
  /** More nodes until delivery falls below the share; ends at MAX_GROWTH times the nodes. */
  readonly moreNodes: Estimate;
  /** The same, were it always as busy as in the busiest block. */
  readonly moreNodesBusiest: Estimate;
  /** Delivery with so many nodes more. */
  readonly curve: readonly (Estimate & { readonly moreNodes: number })[];
}

/** Beyond so many times the nodes there are, nothing is said: the model was not looked at there. Chosen. */
export const MAX_GROWTH = 100;
const REPLICATES = 120;
/** Ends of the interval among the draws, in order. */
const LOW_END = 0.025;
const HIGH_END = 0.975;
const CURVE_POINTS = 8;
const BISECTIONS = 12;

interface Setting {
  readonly rule: CaptureRule;
  readonly demodulators: number;
}
const USUAL: Setting = { rule: "theory", demodulators: 8 };
const BEST: Setting = { rule: "least", demodulators: 16 };
const WORST: Setting = { rule: "most", demodulators: 8 };

/** How often each block and each added node counts; `busiest`: all blocks as loaded as the fullest one. */
interface Draw {
  readonly ofBlock: readonly number[];
  readonly ofNode: readonly number[];
}

export interface GrowthForecast {
  /** Share of counters delivered with so many nodes more. */
  deliveryWith(moreNodes: number): Estimate;
  /** Nodes more until delivery falls below a share; `isBusiest`: were it always as busy as in the busiest block. */
  nodesUntil(share: number, isBusiest: boolean): Estimate;
}

/** `random`: at least 0, below 1. Needs at least one node, one block and one counter expected. */
export function growthForecast(evidence: GrowthEvidence, random: () => number): GrowthForecast {
  const { nodes, blocks } = evidence;
  const once: Draw = { ofBlock: Array(blocks).fill(1), ofNode: Array(nodes).fill(1) };
  const draws = Array.from({ length: REPLICATES }, () => ({
    ofBlock: drawn(blocks, random),
    ofNode: drawn(nodes, random),
  }));
  const usual = new GrowthModel(evidence, USUAL);
  const best = new GrowthModel(evidence, BEST);
  const worst = new GrowthModel(evidence, WORST);
  const around = (value: number, low: number, high: number): Estimate => ({
    value,
    low: Math.min(value, low),
    high: Math.max(value, high),
  });
  return {
    deliveryWith: (moreNodes) => {
      const deliveries = (model: GrowthModel) =>
        draws.map((draw) => model.delivery(moreNodes / nodes, draw, false)).sort((a, b) => a - b);
      return around(
        usual.delivery(moreNodes / nodes, once, false),
        deliveries(worst)[placeOf(LOW_END, REPLICATES)] ?? 0,
        deliveries(best)[placeOf(HIGH_END, REPLICATES)] ?? 0,
      );
    },
    nodesUntil: (share, isBusiest) =>
      around(
        nodes * usual.growthUntil(share, [once], 0, isBusiest),
        nodes * worst.growthUntil(share, draws, placeOf(LOW_END, REPLICATES), isBusiest),
        nodes * best.growthUntil(share, draws, placeOf(HIGH_END, REPLICATES), isBusiest),
      ),
  };
}

/** `share`: 0 to 1; `random` as for the forecast. */
export function growthUntil(evidence: GrowthEvidence, share: number, random: () => number): GrowthAnswer {
  const { nodes } = evidence;
  const forecast = growthForecast(evidence, random);
  const moreNodes = forecast.nodesUntil(share, false);
  const farthest = Math.max(nodes, Math.min(2 * moreNodes.value, MAX_GROWTH * nodes), moreNodes.high);
  return {
    delivery: forecast.deliveryWith(0),
    moreNodes,
    moreNodesBusiest: forecast.nodesUntil(share, true),
    curve: Array.from({ length: CURVE_POINTS + 1 }, (_, i) => {
      const more = Math.round((farthest * i) / CURVE_POINTS);
      return { moreNodes: more, ...forecast.deliveryWith(more) };
    }),
  };
}

function drawn(count: number, random: () => number): number[] {
  const times = Array<number>(count).fill(0);
  for (let i = 0; i < count; i++) {
    const chosen = Math.floor(random() * count);
    times[chosen] = (times[chosen] ?? 0) + 1;
  }
  return times;
}

function placeOf(share: number, count: number): number {
  return Math.round(share * (count - 1));
}

/** The evidence in columns, for one rule of capture: delivery is asked for some ten thousand times. */
class GrowthModel {
  readonly #evidence: GrowthEvidence;
  readonly #demodulators: number;
  readonly #busiest: number;
  readonly #node: Int32Array;
  readonly #block: Int32Array;
  /** Where the transmissions of each counter end. */
  readonly #end: Int32Array;
  readonly #exposure: Float64Array;
  /** Of each transmission: which set of gateways heard it. */
  readonly #heardBy: Int32Array;
  readonly #sets: readonly (readonly number[])[];

  constructor(evidence: GrowthEvidence, { rule, demodulators }: Setting) {
    const { heard } = evidence;
    const sent = heard.flatMap(({ transmissions }) => transmissions);
    const sets = new Map<string, { readonly at: number; readonly gateways: readonly number[] }>();
    let end = 0;
    this.#evidence = evidence;
    this.#demodulators = demodulators;
    this.#busiest = Math.max(1, ...evidence.loadOfBlock);
    this.#node = Int32Array.from(heard, ({ node }) => node);
    this.#block = Int32Array.from(heard, ({ block }) => block);
    this.#end = Int32Array.from(heard, ({ transmissions }) => {
      end += transmissions.length;
      return end;
    });
    this.#exposure = Float64Array.from(sent, ({ exposure }) => exposure[rule]);
    this.#heardBy = Int32Array.from(sent, ({ gateways }) => {
      const key = gateways.join();
      const set = sets.get(key) ?? { at: sets.size, gateways };
      sets.set(key, set);
      return set.at;
    });
    this.#sets = [...sets.values()].map(({ gateways }) => gateways);
  }

  /** Share of counters delivered with `growth` times the nodes more. */
  delivery(growth: number, { ofBlock, ofNode: drawnOnce }: Draw, isBusiest: boolean): number {
    const { loadOfBlock, loadOfNode } = this.#evidence;
    // As many nodes were drawn as there are; of more, each comes closer to its share by the root of their number.
    const spread = 1 / Math.sqrt(Math.max(1, growth));
    const ofNode = drawnOnce.map((count) => 1 + (count - 1) * spread);
    const times = ofNode.map((count) => 1 + growth * count);
    const expected = weighed(this.#evidence.expected, ofBlock, times);
    if (expected === 0) return 0;
    const asItIs = weighed(this.#evidence.heardOf, ofBlock, times) / expected;
    const load = loadOfNode.reduce((sum, share, node) => sum + share * (ofNode[node] ?? 0), 0);
    const more = loadOfBlock.map((ofOne) => growth * load * (isBusiest ? this.#busiest : ofOne));
    const free = this.#stillFree(growth * load * (isBusiest ? this.#busiest : 1));
    // Of what is heard as it is, the share that still would be: thinning then moves nothing but this share.
    const nodeOf = this.#node;
    const blockOf = this.#block;
    const endOf = this.#end;
    const exposure = this.#exposure;
    const heardBy = this.#heardBy;
    let kept = 0;
    let all = 0;
    let from = 0;
    for (let i = 0; i < nodeOf.length; i++) {
      const to = endOf[i] ?? from;
      const block = blockOf[i] ?? 0;
      const counts = (ofBlock[block] ?? 0) * (times[nodeOf[i] ?? 0] ?? 1);
      if (counts > 0) {
        // Without growth nothing more is lost.
        let lost = growth === 0 ? 0 : 1;
        for (let at = growth === 0 ? to : from; at < to; at++)
          lost *= 1 - Math.exp(-(more[block] ?? 0) * (exposure[at] ?? 0)) * (free[heardBy[at] ?? 0] ?? 1);
        kept += counts * (1 - lost);
        all += counts;
      }
      from = to;
    }
    return all === 0 ? 0 : Math.min(1, (asItIs * kept) / all);
  }

  /**
   * By how many times the site may grow, of the draw that stands at a place when all are in order of that; 0 where delivery
   * lies below the share already. Draws that lie on the other side are not followed further.
   */
  growthUntil(share: number, draws: readonly Draw[], place: number, isBusiest: boolean): number {
    let left = draws;
    let before = 0;
    /** Whether it ends before some growth; only the draws that lie with it are left. */
    const endsBefore = (growth: number): boolean => {
      const ends = left.map((draw) => this.delivery(growth, draw, isBusiest) < share);
      const ended = ends.filter(Boolean).length;
      const isBefore = place - before < ended;
      left = left.filter((_, i) => ends[i] === isBefore);
      if (!isBefore) before += ended;
      return isBefore;
    };
    if (endsBefore(0)) return 0;
    if (!endsBefore(MAX_GROWTH)) return MAX_GROWTH;
    let low = 0;
    let high = MAX_GROWTH;
    // On a scale that is even in log(1 + growth).
    for (let i = 0; i < BISECTIONS; i++) {
      const middle = Math.sqrt((1 + low) * (1 + high)) - 1;
      if (endsBefore(middle)) high = middle;
      else low = middle;
    }
    return Math.sqrt((1 + low) * (1 + high)) - 1;
  }

  /** Chance that one of the gateways of each set has a demodulator free, over what it is now. */
  #stillFree(growth: number): number[] {
    const blockedAt = (gateway: number, times: number): number => {
      const { all, own } = this.#evidence.erlang.get(gateway) ?? { all: 0, own: 0 };
      return erlangB(all + times * own, this.#demodulators);
    };
    return this.#sets.map((gateways) => {
      const now = gateways.reduce((all, gateway) => all * blockedAt(gateway, 0), 1);
      const grown = gateways.reduce((all, gateway) => all * blockedAt(gateway, growth), 1);
      return now >= 1 || gateways.length === 0 ? 1 : Math.min(1, (1 - grown) / (1 - now));
    });
  }
}

function weighed(
  counts: readonly (readonly number[])[],
  ofBlock: readonly number[],
  ofNode: readonly number[],
): number {
  let sum = 0;
  for (let node = 0; node < counts.length; node++) {
    const blocks = counts[node] ?? [];
    let own = 0;
    for (let block = 0; block < blocks.length; block++) own += (ofBlock[block] ?? 0) * (blocks[block] ?? 0);
    sum += own * (ofNode[node] ?? 1);
  }
  return sum;
}
