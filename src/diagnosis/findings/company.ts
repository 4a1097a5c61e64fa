/** What did the others lose meanwhile? Counters of a node's neighbours at its best gateway. */
import type { Scene } from "../../model/gap.ts";
import { dueTimes, isIn, lengthUs, overlapUs, type TimeRange, unite } from "../../model/time-range.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { median } from "../../statistics/robust.ts";
import {
  known,
  MAX_MISSED_TIMES,
  MIN_FRAMES,
  type Neighbour,
  type OwnFrame,
  type Sight,
  sightOf,
} from "./observations.ts";

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

export const MAX_BEYOND_CHANCE = 0.8;

/** Frames due from the neighbours from which what came of them says anything. */
export const MIN_EXPECTED = 3;

interface Proportion {
  readonly expected: number;
  readonly heard: number;
  readonly nodes: number;
  /** The same of each neighbour that is counted. */
  readonly each: readonly { readonly lifeId: number; readonly expected: number; readonly heard: number }[];
}

/** What a finding says that its neighbours were heard to send meanwhile, for a drawing beside it. */
export function neighboursMeanwhile(
  scene: Scene,
): Proportion & { readonly neighbours: readonly Neighbour[] } {
  const sight = sightOf(scene);
  return { ...proportionIn(sight, innerStretch(sight)), neighbours: sight.neighbours };
}

/** Frames of the neighbours in a stretch against what their rates before and after it predict. */
export function proportionIn(sight: Sight, stretch: TimeRange): Proportion {
  const { before, after, homes } = sight.scene;
  const deafUs = (span: TimeRange) =>
    homes.length === 0
      ? 0
      : Math.min(
          ...homes.map(({ outages, notRecorded }) =>
            unite([...outages, ...notRecorded]).reduce((sum, out) => sum + overlapUs(out, span), 0),
          ),
        );
  const watchedUs =
    Math.max(0, lengthUs(before) - deafUs(before)) + Math.max(0, lengthUs(after) - deafUs(after));
  if (!(watchedUs > 0)) return { expected: 0, heard: 0, nodes: 0, each: [] };
  const regulars = sight.neighbours.filter(
    ({ frames }) => frames.filter(({ atUs }) => isIn(before, atUs) || isIn(after, atUs)).length >= MIN_FRAMES,
  );
  // One that was there on one side only came or went by itself; when most of those that had long been there did, they
  // did not.
  const isGone = ({ frames }: Neighbour) =>
    lengthUs(after) > 0 && !frames.some(({ atUs }) => atUs >= after.fromUs);
  const old = regulars.filter(({ frames }) => isLongThere(frames, before));
  const allGone = old.filter(isGone).length >= 0.5 * old.length;
  const counted = regulars.filter((one) => {
    const { frames } = one;
    if (isGone(one)) return regulars.length <= 3 || (allGone && old.includes(one));
    return regulars.length <= 3 || frames.some(({ atUs }) => isIn(before, atUs));
  });
  const around = (frames: Neighbour["frames"]) =>
    frames.filter(({ atUs }) => isIn(before, atUs) || isIn(after, atUs)).length;
  const shareOfWatched = recordedUs(sight.scene, stretch) / watchedUs;
  const each = counted.map(({ lifeId, frames }) => ({
    lifeId,
    expected: around(frames) * shareOfWatched,
    heard: frames.filter(({ atUs }) => isIn(stretch, atUs)).length,
  }));
  return {
    expected: each.reduce((sum, one) => sum + one.expected, 0),
    heard: each.reduce((sum, one) => sum + one.heard, 0),
    nodes: each.length,
    each,
  };
}

/** How much a fall of several others, and of one that is left, says for the gateway; the fall that is no fading, dB. Chosen. */
export const ALL_WEAKER = 6.5;
export const ONE_WEAKER = 5;
const WEAKER_DB = 6;
/** Frames of a neighbour beside and within the gap from which its strength is compared. Chosen. */
const COMPARED_BESIDE = 6;
const COMPARED_WITHIN = 3;

interface Weaker {
  readonly byDb: number;
  readonly nodes: number;
  readonly than: "before" | "after";
}

/**
 * The neighbours that came through, when every one of them was far weaker than before, or than after without a before.
 * The gap's edges are left out where enough is left: the others' fall may have begun some time after this node's last frame.
 */
export function weakerNeighbours({ neighbours, scene: { before, within, after } }: Sight): Weaker | null {
  for (const [stretch, than] of [
    [before, "before"],
    [after, "after"],
  ] as const) {
    const fallsIn = (part: TimeRange) =>
      neighbours.flatMap(({ frames }) => {
        const powers = (range: TimeRange) =>
          known(frames.filter(({ atUs }) => isIn(range, atUs)).map(({ powerDbm }) => powerDbm));
        const [beside, now] = [powers(stretch), powers(part)];
        if (beside.length < COMPARED_BESIDE || now.length < COMPARED_WITHIN) return [];
        return [(median(beside) ?? 0) - (median(now) ?? 0)];
      });
    const inner = fallsIn(withoutEdges(within));
    const falls = inner.length > 0 ? inner : fallsIn(within);
    if (falls.length === 0) continue;
    return falls.every((fall) => fall >= WEAKER_DB)
      ? { byDb: median(falls) ?? 0, nodes: falls.length, than }
      : null;
  }
  return null;
}

/** Whether the frames of a neighbour reach over most of the time before. */
function isLongThere(frames: Neighbour["frames"], before: TimeRange): boolean {
  const inside = frames.filter(({ atUs }) => isIn(before, atUs));
  const [first, last] = [inside[0], inside.at(-1)];
  return first !== undefined && last !== undefined && last.atUs - first.atUs > 0.5 * lengthUs(before);
}

/** How much of a range was recorded of the gateway at which the others are counted. */
function recordedUs({ homes }: Sight["scene"], range: TimeRange): number {
  const missing = homes[0]?.notRecorded ?? [];
  return Math.max(0, lengthUs(range) - missing.reduce((sum, out) => sum + overlapUs(out, range), 0));
}

/** The gap without its edges: the frames at both ends were heard. */
export function innerStretch({ scene: { gap, within } }: Sight): TimeRange {
  const edgeUs = Math.min((gap.rhythmUs ?? 0) / 2, lengthUs(within) / 4);
  return { fromUs: within.fromUs + edgeUs, toUs: within.toUs - (gap.open ? 0 : edgeUs) };
}
