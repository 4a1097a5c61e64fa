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

/** How often each block and each added node counts; with the counters of each node in the blocks as they count. */
interface Draw {
  readonly ofBlock: readonly number[];
  readonly ofNode: readonly number[];
  readonly expected: Float64Array;
  readonly heard: Float64Array;
}

function drawOf(
  { expected, heardOf }: GrowthEvidence,
  ofBlock: readonly number[],
  ofNode: readonly number[],
): Draw {
  const weighed = (counts: readonly (readonly number[])[]) =>
    Float64Array.from(counts, (blocks) =>
      blocks.reduce((sum, count, block) => sum + (ofBlock[block] ?? 0) * count, 0),
    );
  return { ofBlock, ofNode, expected: weighed(expected), heard: weighed(heardOf) };
}

/** Nodes and load of a draw as far as they have grown. */
interface Grown {
  /** How often each node counts. */
  readonly times: Float64Array;
  /** Load added, over the mean load there is. */
  readonly added: number;
  /** Share of counters delivered were nothing more lost; null: none is expected. */
  readonly asItIs: number | null;
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
  const once = drawOf(evidence, Array<number>(blocks).fill(1), Array<number>(nodes).fill(1));
  const draws = Array.from({ length: REPLICATES }, () => {
    const ofBlock = drawn(blocks, random);
    return drawOf(evidence, ofBlock, drawn(nodes, random));
  });
  const usual = new GrowthModel(evidence, USUAL);
  const best = new GrowthModel(evidence, BEST);
  const worst = new GrowthModel(evidence, WORST);
  const around = (value: number, low: number, high: number): Estimate => ({
    value,
    low: Math.min(value, low),
    high: Math.max(value, high),
  });
  return {
    deliveryWith: (moreNodes) =>
      around(
        usual.delivery(moreNodes / nodes, once, false),
        worst.deliveryAt(placeOf(LOW_END, REPLICATES), moreNodes / nodes, draws),
        best.deliveryAt(placeOf(HIGH_END, REPLICATES), moreNodes / nodes, draws),
      ),
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

/** e to the power of -x in steps of x, up to where less than 1e-16 is left. */
const STEPS = 64;
const EXPONENTIALS = Float64Array.from({ length: 37 * STEPS }, (_, i) => Math.exp(-i / STEPS));

/** An estimate of delivery lies no further from it. Its terms are right to 3e-9, so that this holds for 30 copies of a counter. */
const ESTIMATE_ERROR = 1e-7;

/**
 * The evidence in columns, for one rule of capture. Delivery is asked for some ten thousand times, nearly always only to
 * put draws in order or to compare with a share: an estimate decides, where it is far enough from the other side.
 */
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
  /** Airtime that reaches each gateway of the sets, which name it by its place here. */
  readonly #erlang: readonly { readonly all: number; readonly own: number }[];
  readonly #blockedNow: Float64Array;
  /** Counters in order of their blocks, and where those of each block begin. */
  readonly #byBlock: Int32Array;
  readonly #begin: Int32Array;

  constructor(evidence: GrowthEvidence, { rule, demodulators }: Setting) {
    const { heard, blocks } = evidence;
    const sent = heard.flatMap(({ transmissions }) => transmissions);
    const sets = new Map<string, { readonly at: number; readonly gateways: readonly number[] }>();
    const gatewayIds = [...new Set(sent.flatMap(({ gateways }) => gateways))];
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
    this.#sets = [...sets.values()].map(({ gateways }) => gateways.map((id) => gatewayIds.indexOf(id)));
    this.#erlang = gatewayIds.map((id) => evidence.erlang.get(id) ?? { all: 0, own: 0 });
    this.#blockedNow = this.#blockedAt(0);
    this.#byBlock = Int32Array.from(heard.keys()).sort(
      (x, y) => (heard[x]?.block ?? 0) - (heard[y]?.block ?? 0) || x - y,
    );
    this.#begin = new Int32Array(blocks + 1);
    for (const { block } of heard) this.#begin[block + 1] = (this.#begin[block + 1] ?? 0) + 1;
    for (let block = 0; block < blocks; block++)
      this.#begin[block + 1] = (this.#begin[block + 1] ?? 0) + (this.#begin[block] ?? 0);
  }

  /** Share of counters delivered with `growth` times the nodes more; `isBusiest`: all blocks as loaded as the fullest one. */
  delivery(growth: number, draw: Draw, isBusiest: boolean): number {
    const { loadOfBlock } = this.#evidence;
    const { times, added, asItIs } = this.#grown(growth, draw);
    if (asItIs === null) return 0;
    const { ofBlock } = draw;
    const more = loadOfBlock.map((ofOne) => added * (isBusiest ? this.#busiest : ofOne));
    const free = this.#stillFree(added * (isBusiest ? this.#busiest : 1));
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

  #grown(growth: number, { ofNode, expected, heard }: Draw): Grown {
    // As many nodes were drawn as there are; of more, each comes closer to its share by the root of their number.
    const spread = 1 / Math.sqrt(Math.max(1, growth));
    const { loadOfNode } = this.#evidence;
    const times = new Float64Array(ofNode.length);
    let load = 0;
    let allExpected = 0;
    let allHeard = 0;
    for (let node = 0; node < times.length; node++) {
      const count = 1 + ((ofNode[node] ?? 0) - 1) * spread;
      const ofOne = 1 + growth * count;
      times[node] = ofOne;
      load += (loadOfNode[node] ?? 0) * count;
      allExpected += (expected[node] ?? 0) * ofOne;
      allHeard += (heard[node] ?? 0) * ofOne;
    }
    return { times, added: growth * load, asItIs: allExpected === 0 ? null : allHeard / allExpected };
  }

  /** The same as `delivery` to ESTIMATE_ERROR, in a fraction of the time. */
  #estimate(growth: number, draw: Draw, isBusiest: boolean): number {
    if (growth === 0) return this.delivery(growth, draw, isBusiest);
    const { loadOfBlock } = this.#evidence;
    const { times, added, asItIs } = this.#grown(growth, draw);
    if (asItIs === null) return 0;
    const { ofBlock } = draw;
    const free = this.#stillFree(added * (isBusiest ? this.#busiest : 1));
    const nodeOf = this.#node;
    const endOf = this.#end;
    const exposure = this.#exposure;
    const heardBy = this.#heardBy;
    const byBlock = this.#byBlock;
    let kept = 0;
    let all = 0;
    for (let block = 0; block < ofBlock.length; block++) {
      const drawnTimes = ofBlock[block] ?? 0;
      if (drawnTimes === 0) continue;
      const more = added * (isBusiest ? this.#busiest : (loadOfBlock[block] ?? 0));
      const end = this.#begin[block + 1] ?? 0;
      for (let place = this.#begin[block] ?? 0; place < end; place++) {
        const i = byBlock[place] ?? 0;
        const to = endOf[i] ?? 0;
        let lost = 1;
        for (let at = i === 0 ? 0 : (endOf[i - 1] ?? 0); at < to; at++) {
          const spoilers = more * (exposure[at] ?? 0);
          // e to the power of -x: from a table of steps, and three terms of the series for the rest.
          const step = Math.floor(spoilers * STEPS);
          const rest = spoilers - step / STEPS;
          const spared =
            step < EXPONENTIALS.length
              ? (EXPONENTIALS[step] ?? 0) * (1 - rest * (1 - rest * (0.5 - rest / 6)))
              : 0;
          lost *= 1 - spared * (free[heardBy[at] ?? 0] ?? 1);
        }
        const counts = drawnTimes * (times[nodeOf[i] ?? 0] ?? 1);
        kept += counts * (1 - lost);
        all += counts;
      }
    }
    return all === 0 ? 0 : Math.min(1, (asItIs * kept) / all);
  }

  /** The delivery that stands at a place when those of all draws are in order. */
  deliveryAt(place: number, growth: number, draws: readonly Draw[]): number {
    const estimates = draws.map((draw) => this.#estimate(growth, draw, false));
    const near = [...estimates].sort((a, b) => a - b)[place] ?? 0;
    const slack = 2 * ESTIMATE_ERROR;
    const before = estimates.filter((one) => one < near - slack).length;
    const among = draws.filter((_, i) => Math.abs((estimates[i] ?? 0) - near) <= slack);
    const exact = among.map((draw) => this.delivery(growth, draw, false)).sort((a, b) => a - b);
    return exact[place - before] ?? 0;
  }

  #isBelow(share: number, growth: number, draw: Draw, isBusiest: boolean): boolean {
    const near = this.#estimate(growth, draw, isBusiest);
    return (Math.abs(near - share) > ESTIMATE_ERROR ? near : this.delivery(growth, draw, isBusiest)) < share;
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
      const ends = left.map((draw) => this.#isBelow(share, growth, draw, isBusiest));
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
  #stillFree(growth: number): Float64Array {
    const blocked = this.#blockedAt(growth);
    const free = new Float64Array(this.#sets.length);
    for (let i = 0; i < free.length; i++) {
      const set = this.#sets[i] ?? [];
      const now = productOf(this.#blockedNow, set);
      free[i] = now >= 1 || set.length === 0 ? 1 : Math.min(1, (1 - productOf(blocked, set)) / (1 - now));
    }
    return free;
  }

  /** Chance that a gateway has no demodulator free, with `growth` times one's own traffic more. */
  #blockedAt(growth: number): Float64Array {
    const blocked = new Float64Array(this.#erlang.length);
    for (const [i, { all, own }] of this.#erlang.entries())
      blocked[i] = erlangB(all + growth * own, this.#demodulators);
    return blocked;
  }
}

function productOf(values: Float64Array, places: readonly number[]): number {
  let product = 1;
  for (const place of places) product *= values[place] ?? 0;
  return product;
}
