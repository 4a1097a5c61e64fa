/**
 * How do the receptions around a gap look, put in order? The node's own frames before, within and after it, its missed
 * counters with the times at which its rhythm puts them, and what its neighbours did meanwhile.
 */
import type { Scene, SceneReception } from "../../model/gap.ts";
import { dueTimes, widened } from "../../model/missed-counters.ts";
import { contains, intersect, isIn, type TimeRange, unite } from "../../model/time-range.ts";
import { linkMarginDb } from "../../radio/margin.ts";
import { channelNoiseDbm } from "../../radio/noise.ts";
import { binomialCdf, wilsonInterval } from "../../statistics/proportions.ts";

/** A frame of the node as its best home gateway heard it. */
export interface OwnFrame {
  readonly atUs: number;
  readonly counter: number;
  readonly frequencyHz: number | null;
  readonly spreadingFactor: number | null;
  readonly dataRate: number;
  readonly snrDb: number | null;
  readonly marginDb: number | null;
  /** Signal power without the noise's share. */
  readonly powerDbm: number | null;
  readonly airtimeUs: number;
}

export interface Neighbour {
  readonly lifeId: number;
  readonly devAddr: number;
  /** First hearing of each counter, by time. */
  readonly frames: readonly OwnFrame[];
}

export interface Sight {
  readonly scene: Scene;
  /** First hearings, by time, from before to after. */
  readonly own: readonly OwnFrame[];
  readonly ownBefore: readonly OwnFrame[];
  readonly ownWithin: readonly OwnFrame[];
  readonly ownAfter: readonly OwnFrame[];
  /** Where the rhythm dates the missed counters of `within`. */
  readonly missedAtUs: readonly number[];
  /** Counters missed and heard in the part of the gap that is looked at. */
  readonly missed: number;
  readonly heard: number;
  readonly lossWithin: number;
  /**
   * What its share of loss may have been (95 %). A gap is drawn around its misses: the lower limit is the loss at which
   * so many in so few are met once in 40 times among all counters looked at.
   */
  readonly lossRange: { readonly low: number; readonly high: number };
  /** As its best home gateway heard them: what another gateway caught hides that gateway's trouble. */
  readonly neighbours: readonly Neighbour[];
}

const MAX_MISSED_TIMES = 5_000;

export function sightOf(scene: Scene): Sight {
  const { gap, within, before, after } = scene;
  const byLife = new Map<number, Map<number, OwnFrame>>();
  const addresses = new Map<number, number>();
  const [home] = scene.homes;
  for (const reception of scene.receptions) {
    const { lifeId, counter, crcOk, devAddr } = reception;
    if (!crcOk || lifeId === null || counter === null || devAddr === null) continue;
    // Another life of its address is the node itself, before or after a restart: no witness of what it lost.
    if (lifeId !== gap.lifeId && (devAddr === gap.devAddr || reception.gatewayId !== home?.id)) continue;
    let frames = byLife.get(lifeId);
    if (frames === undefined) {
      frames = new Map();
      byLife.set(lifeId, frames);
      addresses.set(lifeId, devAddr);
    }
    const known = frames.get(counter);
    if (known === undefined) frames.set(counter, frameOf(reception, counter));
    else if (!reception.repeat && (reception.snrDb ?? -99) > (known.snrDb ?? -99)) {
      frames.set(counter, { ...frameOf(reception, counter), atUs: known.atUs });
    }
  }
  const inOrder = (frames: Map<number, OwnFrame> | undefined) =>
    [...(frames?.values() ?? [])].sort((a, b) => a.atUs - b.atUs);
  const own = inOrder(byLife.get(gap.lifeId));
  const ownWithin = own.filter(({ atUs }) => atUs > within.fromUs && atUs < within.toUs);
  const missedAtUs = ownMissedTimes(own, scene);
  const missed = scene.within.toUs < gap.toUs ? missedAtUs.length : gap.missed;
  return {
    scene,
    own,
    ownBefore: own.filter(({ atUs }) => isIn(before, atUs) || atUs === gap.fromUs),
    ownWithin,
    ownAfter: own.filter(({ atUs }) => isIn(after, atUs)),
    missedAtUs,
    missed,
    heard: ownWithin.length,
    lossWithin: missed + ownWithin.length === 0 ? 0 : missed / (missed + ownWithin.length),
    lossRange: lossRangeOf(missed, ownWithin.length, own),
    neighbours: [...byLife.keys()]
      .filter((lifeId) => lifeId !== gap.lifeId)
      .map((lifeId) => ({
        lifeId,
        devAddr: addresses.get(lifeId) ?? 0,
        frames: inOrder(byLife.get(lifeId)),
      })),
  };
}

/** Once in 40 times: the lower half of what 95 % leaves. */
const MAX_LOW_CHANCE = 0.025;

function lossRangeOf(missed: number, heard: number, own: readonly OwnFrame[]): Sight["lossRange"] {
  const counters = missed + heard;
  const { high } = wilsonInterval(missed, counters);
  const [first, last] = [own[0], own.at(-1)];
  const lookedAt = first === undefined || last === undefined ? 0 : last.counter - first.counter + 1;
  // From 0 to the share that was lost, by halving: the larger the loss, the more such stretches.
  let [low, above] = [0, missed / Math.max(1, counters)];
  for (let round = 0; round < 20; round++) {
    const loss = (low + above) / 2;
    if (stretchesAt(loss, missed, { counters, lookedAt }) > MAX_LOW_CHANCE) above = loss;
    else low = loss;
  }
  return { low, high };
}

/**
 * How many stretches of so many counters with so many misses and more are to be expected at a loss (Poisson clumping,
 * Aldous 1989: one begins at a counter with about the chance of the tail, times what its share exceeds the loss by).
 */
function stretchesAt(
  loss: number,
  missed: number,
  { counters, lookedAt }: { readonly counters: number; readonly lookedAt: number },
): number {
  const tail = 1 - binomialCdf(missed - 1, counters, loss);
  return tail * (1 + Math.max(0, lookedAt - counters) * (missed / Math.max(1, counters) - loss));
}

/** The values that are known. */
export function known<T>(values: readonly (T | null)[]): T[] {
  return values.filter((value): value is T => value !== null);
}

function frameOf(reception: SceneReception, counter: number): OwnFrame {
  const { atUs, frequencyHz, spreadingFactor, dataRate, snrDb, rssiDbm, airtimeUs } = reception;
  return {
    atUs,
    counter,
    frequencyHz,
    spreadingFactor,
    dataRate,
    snrDb,
    marginDb: spreadingFactor === null ? null : linkMarginDb(snrDb, spreadingFactor),
    powerDbm: signalPowerDbm(rssiDbm, snrDb),
    airtimeUs,
  };
}

/** Signal power without the noise's share, dBm; the channel's power where the SNR is unknown. */
export function signalPowerDbm(rssiDbm: number | null, snrDb: number | null): number | null {
  return rssiDbm === null || snrDb === null ? rssiDbm : channelNoiseDbm(rssiDbm, snrDb) + snrDb;
}

/** Logarithm of the loss over what something predicts, 0 where the prediction lies within what the loss may have been. */
export function lossOver({ lossRange: { low, high } }: Sight, predicted: number): number {
  const share = Math.max(predicted, 1e-4);
  return share < low ? Math.log(low / share) : share > high ? Math.log(high / share) : 0;
}

/** Missed counters are spread evenly between the frames around them. */
function ownMissedTimes(own: readonly OwnFrame[], { gap, within, homes }: Scene): number[] {
  const times: number[] = [];
  const [home, ...others] = homes.map(({ notRecorded }) => notRecorded);
  const notRecorded = others.reduce<readonly TimeRange[]>(intersect, home ?? []);
  const last = own.filter(({ atUs }) => atUs >= gap.fromUs && atUs <= gap.toUs);
  for (let i = 1; i < last.length && times.length < MAX_MISSED_TIMES; i++) {
    const one = last[i - 1];
    const next = last[i];
    if (one === undefined || next === undefined || next.counter <= one.counter + 1) continue;
    const run = { fromUs: one.atUs, toUs: next.atUs, missed: next.counter - one.counter - 1 };
    // What may have been sent while nothing was recorded is not missed.
    const unknown = unite(widened(notRecorded, run, true));
    for (const atUs of dueTimes(run)) {
      if (times.length >= MAX_MISSED_TIMES) break;
      if (atUs <= within.toUs && !contains(unknown, atUs)) times.push(atUs);
    }
  }
  return times;
}

// What did the others lose meanwhile? Counters of a node's neighbours at its best gateway, counted so that neither an
// outage of that gateway nor one neighbour's own trouble passes for a loss that all share.

/** Frames of a neighbour from which it is believed. */
export const MIN_FRAMES = 3;

export interface Counted {
  readonly missed: number;
  readonly expected: number;
  readonly nodes: number;
  /** The neighbour that lost most is left out. */
  readonly isTrimmed: boolean;
}

/** Losses of the others from which a single one of them may stand for all: one with a trouble of its own is left out. Chosen. */
const MIN_COMPANY = 4;

/**
 * Counters missed by neighbours within a stretch, each between its first and last frame heard in it; what fell into an
 * outage of their gateway is not counted, nor the one neighbour that lost most, which may have a trouble of its own.
 */
export function countedIn(neighbours: readonly Neighbour[], stretch: TimeRange, { scene }: Sight): Counted {
  const outages = unheardAtHome(scene);
  const counts = neighbours.flatMap(({ frames }) => countedOf(frames, stretch, outages) ?? []);
  const isTrimmed = counts.length >= MIN_COMPANY;
  if (isTrimmed) {
    const worst = counts.reduce((a, b) => (b.missed > a.missed ? b : a));
    counts.splice(counts.indexOf(worst), 1);
  }
  return {
    missed: counts.reduce((sum, { missed }) => sum + missed, 0),
    expected: counts.reduce((sum, { expected }) => sum + expected, 0),
    nodes: counts.length,
    isTrimmed,
  };
}

/** When the best gateway was unreachable or was not recorded: what others missed then is no loss on the air. */
export function unheardAtHome({ homes }: Scene): TimeRange[] {
  const [home] = homes;
  return home === undefined ? [] : unite([...home.outages, ...home.notRecorded]);
}

type OneCounted = Pick<Counted, "missed" | "expected">;

/** null: too few frames, or a counter that ran away (another device or a restart, not loss). */
function countedOf(
  frames: readonly OwnFrame[],
  stretch: TimeRange,
  outages: readonly TimeRange[],
): OneCounted | null {
  const inside = frames.filter(({ atUs }) => isIn(stretch, atUs));
  if (inside.length < MIN_FRAMES) return null;
  let missed = 0;
  inside.forEach((frame, i) => {
    const before = inside[i - 1];
    if (before !== undefined)
      missed += missedTimes(before, frame).filter((atUs) => !isOut(outages, atUs)).length;
  });
  const expected = inside.length + missed;
  return expected > 50 * inside.length ? null : { missed, expected };
}

/** When the counters between two frames were due: spread evenly. Of a counter that ran away as many as tell that. */
export function missedTimes(before: OwnFrame, frame: OwnFrame): number[] {
  const times: number[] = [];
  const missed = frame.counter - before.counter - 1;
  for (const atUs of dueTimes({ fromUs: before.atUs, toUs: frame.atUs, missed })) {
    if (times.push(atUs) >= MAX_MISSED_TIMES) break;
  }
  return times;
}

/** A counter's own time is known to some seconds only. */
const OUTAGE_SLACK_US = 15_000_000;

export function isOut(outages: readonly TimeRange[], atUs: number): boolean {
  return outages.some(({ fromUs, toUs }) => atUs > fromUs - OUTAGE_SLACK_US && atUs < toUs + OUTAGE_SLACK_US);
}

/** The common share is not known to the point either. Chosen. */
const OWN_SLACK = 0.03;

/** Whether the losses of single nodes scatter about their common share by chance alone, and this node's among them. */
export function lossesAreAlike({ neighbours, scene, lossRange: own }: Sight): boolean {
  const outages = unheardAtHome(scene);
  const counts = neighbours
    .flatMap(({ frames }) => countedOf(frames, scene.within, outages) ?? [])
    .filter(({ expected }) => expected >= 20);
  if (counts.length === 0) return false;
  const expected = counts.reduce((sum, one) => sum + one.expected, 0);
  const share = counts.reduce((sum, one) => sum + one.missed, 0) / expected;
  if (share <= 0.05 || share >= 0.95 || share < own.low - OWN_SLACK || share > own.high + OWN_SLACK)
    return false;
  const chiSquare = counts.reduce(
    (sum, one) => sum + (one.missed - share * one.expected) ** 2 / (share * (1 - share) * one.expected),
    0,
  );
  // Mean and spread of chi-square are its degrees of freedom and the root of twice that.
  return chiSquare < counts.length + 3 * Math.sqrt(2 * counts.length);
}

/** Without the edges, where the trouble of all may not have begun or be over. */
export function withoutEdges({ fromUs, toUs }: TimeRange): TimeRange {
  const edgeUs = 0.12 * (toUs - fromUs);
  return { fromUs: fromUs + edgeUs, toUs: toUs - edgeUs };
}

/** The neighbours that send at the node's data rate. */
export function atItsRate({ neighbours, ownWithin, ownBefore }: Sight): Neighbour[] {
  const rate = ownWithin.at(-1)?.dataRate ?? ownBefore.at(-1)?.dataRate;
  return neighbours.filter(({ frames }) => frames.at(-1)?.dataRate === rate);
}

/** Collisions strike those who share a data rate: whether the others at the node's own are spared, so far as they can tell. */
export function isAloneAtItsRate(sight: Sight): boolean {
  const { missed, expected } = countedIn(atItsRate(sight), sight.scene.within, sight);
  return expected >= 30 && wilsonInterval(missed, expected).high < 0.5 * sight.lossRange.low;
}

/** Losses at which a rise among the others is looked for, and bounds of what they lose otherwise. Chosen, as for one node. */
const RAISED = [0.1, 0.25, 0.6] as const;
const USUAL = { misses: 0.5, counters: 25, least: 0.01, most: 0.05 } as const;

/**
 * How much likelier what the others lost meanwhile is with a rise than without (natural logarithm): of all of them, or
 * of those at the node's data rate, whichever says more.
 */
export function surpriseOfOthers(sight: Sight): number {
  return Math.max(surpriseIn(sight.neighbours, sight), surpriseIn(atItsRate(sight), sight) - Math.LN2);
}

function surpriseIn(neighbours: readonly Neighbour[], sight: Sight): number {
  const now = countedIn(neighbours, sight.scene.within, sight);
  const then = countedIn(neighbours, sight.scene.before, sight);
  const usual = (then.missed + USUAL.misses) / (then.expected + USUAL.counters);
  const loss = Math.min(USUAL.most, Math.max(USUAL.least, usual));
  const ratios = RAISED.map(
    (raised) =>
      now.missed * Math.log(raised / loss) +
      (now.expected - now.missed) * Math.log((1 - raised) / (1 - loss)),
  );
  return Math.max(...ratios) - Math.log(RAISED.length);
}

/**
 * The others' counters within the gap where they lost as well all along; "begun": they lost less before; "ended": less
 * after, and little is known of before; null: they did not lose.
 */
export function lossInCompany(sight: Sight): Counted | "begun" | "ended" | null {
  const { neighbours, lossWithin, scene } = sight;
  const now = countedIn(neighbours, scene.within, sight);
  if (now.expected < 30 || now.missed / now.expected <= 0.25 * lossWithin) return null;
  const isLess = ({ missed, expected }: Counted) =>
    wilsonInterval(missed, expected).high < 0.7 * (now.missed / now.expected);
  const then = countedIn(neighbours, scene.before, sight);
  if (then.expected >= MIN_BESIDE) return isLess(then) ? "begun" : now;
  const later = countedIn(neighbours, scene.after, sight);
  return later.expected >= MIN_BESIDE && isLess(later) ? "ended" : now;
}

/** Counters of the others before or after from which their loss there is known. Chosen. */
const MIN_BESIDE = 20;
