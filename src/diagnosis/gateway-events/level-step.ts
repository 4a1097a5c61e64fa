/**
 * Did everything that one gateway hears step by the same number of dB at one moment? Then it is the gateway's own side:
 * antenna, cable, connector, water, lightning arrester, or a gain setting. Two things tell it from the nodes: all of
 * them step together, and another gateway that hears the same nodes does not see the step.
 *
 * Levels of many senders become one series: each sender's own level is taken off (median polish, Tukey 1977, from
 * memory), and the steps of what remains are found as those of a single link (statistics/level-shifts.ts). A step
 * counts when the senders, each compared with itself before and after, agree on its size.
 */
import { groupBy } from "../../model/group-by.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { intervalT } from "../../statistics/distributions.ts";
import { levelShifts, SHIFT_RULE, type ShiftRule } from "../../statistics/level-shifts.ts";
import { columnOf, median, medianInPlace, robustSigma } from "../../statistics/robust.ts";
import type { DatedShift } from "../../statistics/step-fit.ts";

/** One frame of a sender as one gateway heard it. */
export interface LevelPoint {
  readonly tUs: number;
  readonly sender: number;
  readonly powerDbm: number;
  readonly snrDb: number | null;
  readonly marginDb: number | null;
}

export interface CommonStep {
  readonly atUs: number;
  readonly notBeforeUs: number;
  readonly notAfterUs: number;
  /** After minus before, dB: below 0 a fall; with its 95 % interval. */
  readonly changeDb: number;
  readonly lowDb: number;
  readonly highDb: number;
  /** Of the SNR; null where it saturates or is unknown. A gain setting moves the power alone. */
  readonly snrChangeDb: number | null;
  /** Senders that stepped so, of those that could be compared. */
  readonly senders: number;
  readonly compared: number;
  /** Senders that are not heard since a fall, and had too little margin to be. */
  readonly vanished: number;
  /** What the same senders did at another gateway; null: none hears enough of them. */
  readonly elsewhere: { readonly senders: number; readonly changeDb: number } | null;
  /** 0 to 1: that it was the gateway, not the senders. */
  readonly confidence: number;
}

/** A step of many is found from less than one of a single link: their wander averages out. Chosen. */
const COMMON_RULE: ShiftRule = { ...SHIFT_RULE, leastSize: 2, assumedVariance: 0.5 };
/** Frames of a sender, and on each side of a step, from which it is compared. Chosen. */
const MIN_FRAMES = 6;
const MIN_FRAMES_A_SIDE = 3;
/** Newest frames on a side, and how far from the step they may lie. */
const MAX_FRAMES_A_SIDE = 40;
const MAX_REACH_US = 24 * 3_600_000_000;
/** Senders that must agree: alone, and where another gateway saw no step; their share of those compared. Chosen. */
const MIN_SENDERS = 3;
const MIN_SENDERS_WITNESSED = 2;
const MIN_SHARE = 0.75;
/** A sender agrees within this, dB, or so many of its standard errors with its slow fading. Chosen. */
const AGREES_DB = 3;
const AGREES_ERRORS = 2.5;
const SLOW_FADING_DB = 1.2;
/** Least spread between senders that is assumed, dB. Chosen. */
const MIN_SPREAD_DB = 0.7;
/** Frames near the floor are survivors: their power fell less than the senders'. dB of margin. Chosen. */
const FLOOR_MARGIN_DB = 3;
/** The step must be larger than this with 95 %, dB. */
const MIN_CHANGE_DB = 1;
/** Another gateway saw no step below this share of its size (and dB), and the same step from that share on. Chosen. */
const STAYED = { share: 0.3, db: 1.5 } as const;
const STEPPED_TOO_SHARE = 0.5;
/** A sender that vanished counts as much of one that fell: its size is not known. Chosen. */
const VANISHED_COUNTS = 2 / 3;
/** By senders that agree: the more, the less likely that each did so by itself. Chosen. */
const CONFIDENCE_ALONE = [0, 0, 0, 0.75, 0.8, 0.85, 0.88, 0.9, 0.92] as const;
const CONFIDENCE_WITNESSED = 0.97;
const CONFIDENCE_WITNESSED_FEW = 0.9;
const SLOTS = 240;
const POLISHES = 4;

/** Returns the steps that the gateway `here` sees and the others do not, in order of time. Points in order of time. */
export function commonSteps(
  here: readonly LevelPoint[],
  elsewhere: readonly (readonly LevelPoint[])[],
): CommonStep[] {
  return stepsOfSenders(sendersOf(here), () => elsewhere.map(sendersOf));
}

/** The same of points that are at hand by their senders. */
export function stepsOfSenders(here: Senders, elsewhere: () => readonly Senders[]): CommonStep[] {
  const { bySender } = here;
  if (bySender.size < MIN_SENDERS_WITNESSED) return [];
  const { shifts } = levelShifts(polished(here), COMMON_RULE);
  if (shifts.length === 0) return [];
  const others = elsewhere();
  return shifts.flatMap((shift, i) => {
    const range = {
      fromUs: Math.max(shifts[i - 1]?.notAfterUs ?? 0, shift.notBeforeUs - MAX_REACH_US),
      toUs: Math.min(shifts[i + 1]?.notBeforeUs ?? Number.MAX_SAFE_INTEGER, shift.notAfterUs + MAX_REACH_US),
    };
    return commonStep(shift, range, here, others) ?? [];
  });
}

/** Points by time and sender, and those of each sender. */
export interface Senders {
  readonly points: readonly LevelPoint[];
  readonly bySender: ReadonlyMap<number, readonly LevelPoint[]>;
}

/** The points of the senders that are heard often enough to be compared. `points` in order of time. */
export function sendersOf(points: readonly LevelPoint[]): Senders {
  const bySender = groupBy(points, ({ sender }) => sender);
  for (const [sender, list] of bySender) if (list.length < MIN_FRAMES) bySender.delete(sender);
  return { points: inOrder(points.filter(({ sender }) => bySender.has(sender))), bySender };
}

/** The levels of all without each sender's own, in order of time. */
function polished({ points: all, bySender }: Senders): { tUs: number; value: number }[] {
  const fromUs = all[0]?.tUs ?? 0;
  const slotUs = Math.max(1, ((all.at(-1)?.tUs ?? fromUs) - fromUs) / SLOTS);
  const places = new Map([...bySender.keys()].map((sender, place) => [sender, place]));
  const powers = columnOf(all, ({ powerDbm }) => powerDbm);
  const senders = new Int32Array(columnOf(all, ({ sender }) => places.get(sender) ?? 0));
  const slots = new Int32Array(
    columnOf(all, ({ tUs }) => Math.min(SLOTS - 1, Math.floor((tUs - fromUs) / slotUs))),
  );
  const ofSender = grouped(senders, places.size);
  const ofSlot = grouped(slots, SLOTS);
  const own = new Float64Array(places.size);
  const common = new Float64Array(SLOTS);
  const rest = new Float64Array(all.length);
  /** Median of the power of some points without what is known of the others' part in it. */
  const middleOf = (points: readonly number[], known: Float64Array, groups: Int32Array) => {
    for (let k = 0; k < points.length; k++) {
      const i = points[k] ?? 0;
      rest[k] = (powers[i] ?? 0) - (known[groups[i] ?? 0] ?? 0);
    }
    return medianInPlace(rest.subarray(0, points.length));
  };
  for (let round = 0; round < POLISHES; round++) {
    for (const [place, points] of ofSender.entries()) own[place] = middleOf(points, common, slots);
    for (const [slot, points] of ofSlot.entries()) common[slot] = middleOf(points, own, senders);
  }
  return all.map(({ tUs, powerDbm }, i) => ({ tUs, value: powerDbm - (own[senders[i] ?? 0] ?? 0) }));
}

/** Points in order of time, those of one moment in order of sender. */
function inOrder(points: readonly LevelPoint[]): readonly LevelPoint[] {
  const byTimeAndSender = (a: LevelPoint, b: LevelPoint) => a.tUs - b.tUs || a.sender - b.sender;
  // They mostly are already.
  return points.every((point, i) => i === 0 || byTimeAndSender(points[i - 1] ?? point, point) <= 0)
    ? points
    : [...points].sort(byTimeAndSender);
}

/** Places of the points of each of `count` groups. */
function grouped(groups: Int32Array, count: number): number[][] {
  const places: number[][] = Array.from({ length: count }, () => []);
  for (const [i, group] of groups.entries()) places[group]?.push(i);
  return places;
}

interface Change {
  readonly sender: number;
  readonly changeDb: number;
  readonly errorDb: number;
  readonly snrChangeDb: number | null;
  /** Heard near the floor on one side. */
  readonly isSurvivor: boolean;
}

function commonStep(
  shift: DatedShift,
  range: TimeRange,
  here: Senders,
  others: readonly Senders[],
): CommonStep | null {
  const changes = [...here.bySender].flatMap(
    ([sender, points]) => changeOf(sender, points, shift, range) ?? [],
  );
  const sound = changes.filter(({ isSurvivor }) => !isSurvivor);
  const judged = sound.length >= MIN_SENDERS ? sound : changes;
  const middle = median(judged.map(({ changeDb }) => changeDb));
  if (middle === null) return null;
  const agreeing = judged.filter(
    ({ changeDb, errorDb }) =>
      Math.sign(changeDb) === Math.sign(middle) &&
      Math.abs(changeDb - middle) <= Math.max(AGREES_DB, AGREES_ERRORS * Math.hypot(errorDb, SLOW_FADING_DB)),
  );
  const vanished = middle < 0 ? vanishedIn(here, shift, range, middle) : 0;
  const elsewhere = elsewhereOf(agreeing, shift, range, others);
  const isLike = elsewhere !== null && Math.sign(elsewhere.changeDb) === Math.sign(middle);
  if (elsewhere !== null && isLike && Math.abs(elsewhere.changeDb) >= STEPPED_TOO_SHARE * Math.abs(middle))
    return null;
  const stayed =
    elsewhere !== null &&
    Math.abs(elsewhere.changeDb) <= Math.max(STAYED.db, STAYED.share * Math.abs(middle));
  // Those that vanished fell by as much at least as those that are left.
  const counted = agreeing.length + Math.round(VANISHED_COUNTS * vanished);
  const least = stayed ? MIN_SENDERS_WITNESSED : MIN_SENDERS;
  if (agreeing.length === 0 || counted < least || agreeing.length < MIN_SHARE * judged.length) return null;
  const half = halfWidth(agreeing);
  if (Math.abs(middle) - half < MIN_CHANGE_DB) return null;
  const { atUs, notBeforeUs, notAfterUs } = shift;
  return {
    atUs,
    notBeforeUs,
    notAfterUs,
    changeDb: middle,
    lowDb: middle - half,
    highDb: middle + half,
    snrChangeDb: median(agreeing.flatMap(({ snrChangeDb }) => snrChangeDb ?? [])),
    senders: agreeing.length,
    compared: judged.length,
    vanished,
    elsewhere,
    confidence: confidenceOf(counted, stayed),
  };
}

/** Frames of a sender that were due after a step, from which it is missed. Chosen. */
const MIN_DUE = 3;

/** Senders that are heard no more since a fall of so many dB, and whose margin it took. */
function vanishedIn(here: Senders, shift: DatedShift, range: TimeRange, changeDb: number): number {
  let vanished = 0;
  for (const points of here.bySender.values()) {
    const before = points.filter(({ tUs }) => tUs >= range.fromUs && tUs <= shift.notBeforeUs);
    const [first, last] = [before[0], before.at(-1)];
    if (first === undefined || last === undefined || before.length < MIN_FRAMES) continue;
    const everyUs = (last.tUs - first.tUs) / (before.length - 1);
    const endUs = Math.min(range.toUs, shift.notAfterUs + MAX_REACH_US, lastOf(here));
    const isHeard = points.some(({ tUs }) => tUs >= shift.notAfterUs && tUs <= endUs);
    const margin = median(before.flatMap(({ marginDb }) => marginDb ?? []));
    const isTaken = margin !== null && margin + changeDb < FLOOR_MARGIN_DB;
    if (!isHeard && isTaken && shift.notBeforeUs - last.tUs < MIN_DUE * everyUs)
      vanished += endUs - last.tUs > MIN_DUE * everyUs ? 1 : 0;
  }
  return vanished;
}

function lastOf(here: Senders): number {
  return Math.max(...[...here.bySender.values()].map((points) => points.at(-1)?.tUs ?? 0));
}

function changeOf(
  sender: number,
  points: readonly LevelPoint[],
  { notBeforeUs, notAfterUs }: DatedShift,
  { fromUs, toUs }: TimeRange,
): Change | null {
  const before = points.filter(({ tUs }) => tUs >= fromUs && tUs <= notBeforeUs).slice(-MAX_FRAMES_A_SIDE);
  const after = points.filter(({ tUs }) => tUs >= notAfterUs && tUs <= toUs).slice(0, MAX_FRAMES_A_SIDE);
  if (before.length < MIN_FRAMES_A_SIDE || after.length < MIN_FRAMES_A_SIDE) return null;
  const powers = (side: readonly LevelPoint[]) => side.map(({ powerDbm }) => powerDbm);
  const [from, to] = [median(powers(before)) ?? 0, median(powers(after)) ?? 0];
  const scatter = [...powers(before).map((dbm) => dbm - from), ...powers(after).map((dbm) => dbm - to)];
  // A median is 1.25 times as uncertain as a mean.
  const errorDb = 1.25 * (robustSigma(scatter, 0.5) ?? 0.5) * Math.sqrt(1 / before.length + 1 / after.length);
  const middleOf = (side: readonly LevelPoint[], of: (point: LevelPoint) => number | null) =>
    median(side.flatMap((point) => of(point) ?? []));
  const [snrFrom, snrTo] = [middleOf(before, ({ snrDb }) => snrDb), middleOf(after, ({ snrDb }) => snrDb)];
  const margins = [before, after].map((side) => middleOf(side, ({ marginDb }) => marginDb));
  return {
    sender,
    changeDb: to - from,
    errorDb,
    // At SNR above 5 dB the modem's figure saturates.
    snrChangeDb: snrFrom === null || snrTo === null || Math.max(snrFrom, snrTo) > 5 ? null : snrTo - snrFrom,
    isSurvivor: margins.some((margin) => margin !== null && margin < FLOOR_MARGIN_DB),
  };
}

/** What the agreeing senders did at the other gateway that hears most of them. */
function elsewhereOf(
  agreeing: readonly Change[],
  shift: DatedShift,
  range: TimeRange,
  others: readonly Senders[],
): CommonStep["elsewhere"] {
  let best: { senders: number; changeDb: number } | null = null;
  for (const { bySender } of others) {
    const changes = agreeing.flatMap(
      ({ sender }) => changeOf(sender, bySender.get(sender) ?? [], shift, range)?.changeDb ?? [],
    );
    const changeDb = median(changes);
    if (changeDb === null || changes.length <= (best?.senders ?? 0)) continue;
    best = { senders: changes.length, changeDb };
  }
  return best;
}

/** Half of the 95 % interval of the common change: Student's t over the senders, each with its own error. */
function halfWidth(changes: readonly Change[]): number {
  const n = changes.length;
  const mean = changes.reduce((sum, { changeDb }) => sum + changeDb, 0) / n;
  const variance =
    changes.reduce((sum, { changeDb }) => sum + (changeDb - mean) ** 2, 0) / Math.max(1, n - 1);
  const within = changes.reduce((sum, { errorDb }) => sum + errorDb ** 2, 0) / n;
  const spread = Math.max(MIN_SPREAD_DB, Math.sqrt(Math.max(variance, within)));
  // Two senders have one degree of freedom, whose t says nothing; their scatter in time is known better.
  return (intervalT(0.95, Math.max(2, n - 1)) * spread) / Math.sqrt(n);
}

function confidenceOf(senders: number, isWitnessed: boolean): number {
  if (isWitnessed) return senders >= MIN_SENDERS ? CONFIDENCE_WITNESSED : CONFIDENCE_WITNESSED_FEW;
  return CONFIDENCE_ALONE[Math.min(senders, CONFIDENCE_ALONE.length - 1)] ?? 0;
}

/** A time in which a gateway heard all weaker: from a fall to the rise that mended it; `mended` null: it goes on. */
export interface WeakenedTime {
  readonly fall: CommonStep;
  readonly mended: CommonStep | null;
}

/** A rise that takes back less of the fall than this does not mend it. Chosen. */
const MENDED_SHARE = 0.6;

/** The falls with what mended them, and the rises that mended nothing within these steps. Steps in order of time. */
export function weakenedTimes(steps: readonly CommonStep[]): {
  readonly weakened: readonly WeakenedTime[];
  readonly strengthened: readonly CommonStep[];
} {
  const weakened: { fall: CommonStep; mended: CommonStep | null }[] = [];
  const strengthened: CommonStep[] = [];
  for (const step of steps) {
    if (step.changeDb < 0) {
      weakened.push({ fall: step, mended: null });
      continue;
    }
    const open = weakened.findLast(({ mended }) => mended === null);
    if (open !== undefined && step.changeDb >= -MENDED_SHARE * open.fall.changeDb) open.mended = step;
    else strengthened.push(step);
  }
  return { weakened, strengthened };
}
