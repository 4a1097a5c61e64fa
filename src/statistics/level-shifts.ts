/**
 * When did a level step, and by how much, though its values wander, gaps interrupt them, and it may step more than once?
 */
import { bridgeTail } from "./rank-tests.ts";
import { median, type TimedValue } from "./robust.ts";
import { dependenceOf } from "./series.ts";
import {
  bestCut,
  type DatedShift,
  dated,
  fitSegment,
  isSharp,
  type LevelSlot,
  ONE_LEVEL,
} from "./step-fit.ts";

export interface LevelShifts {
  /** In order of time. */
  readonly shifts: readonly DatedShift[];
  /** Whether there was enough to find one. */
  readonly enough: boolean;
  /** Values that were looked at: medians of equal slots. */
  readonly slots: number;
}

/** When a step counts. All: chosen, the false-alarm test holds them (tests/diagnosis/link-shifts.test.ts). */
export interface ShiftRule {
  readonly mostP: number;
  /** Least |after − before|. */
  readonly leastSize: number;
  /** Values and time that each level must hold. */
  readonly leastValues: number;
  readonly leastUs: number;
  /** A change that is not sharp must be larger, and its levels hold longer: else a slow wander passes for it. */
  readonly leastGradualSize: number;
  readonly leastGradualUs: number;
  /** So large a change is believed between shorter levels: no wander of a sound link goes so far. */
  readonly leastLargeSize: number;
  readonly leastLargeUs: number;
  /**
   * Wander that is assumed even where a short series shows none: its variance, and the time in which it forgets. A
   * window of an hour cannot show what a level does over half an hour.
   */
  readonly assumedVariance: number;
  readonly assumedCorrelationUs: number;
}

export const SHIFT_RULE: ShiftRule = {
  mostP: 0.001,
  leastSize: 3,
  leastValues: 6,
  leastUs: 15 * 60e6,
  leastGradualSize: 6,
  leastGradualUs: 3 * 3600e6,
  leastLargeSize: 12,
  leastLargeUs: 3600e6,
  assumedVariance: 1,
  assumedCorrelationUs: 10 * 60e6,
};

const MAX_SLOTS = 480;
const MAX_SHIFTS = 12;
const MAX_WIDTH_US = 3 * 3600e6;

/**
 * Steps of a level by binary segmentation; a stretch without a split of its own is looked through in overlapping
 * parts, ever shorter (seeded intervals: Kovács, Bühlmann, Li, Munk, Biometrika 110 (2023) 249-256, from memory), so
 * that a fresh step or one that was taken back does not drown in a long window. A split is tested by the largest
 * partial sum about the mean with the long-run variance of what remains about the fitted levels (Csörgő and Horváth,
 * Limit Theorems in Change-Point Analysis (1997), from memory), and a step must also be sharp: see `sharpness`.
 * `points` in order of time.
 */
export function levelShifts(points: readonly TimedValue[], rule: ShiftRule = SHIFT_RULE): LevelShifts {
  const first = points[0];
  const last = points.at(-1);
  if (first === undefined || last === undefined || points.length < 2 * rule.leastValues) {
    return { shifts: [], enough: false, slots: 0 };
  }
  const spanUs = last.tUs - first.tUs;
  if (spanUs < 2 * rule.leastUs) return { shifts: [], enough: false, slots: 0 };
  const slotUs = Math.max(1, spanUs / MAX_SLOTS);
  const slots = slotsOf(points, slotUs);
  const found: DatedShift[] = [];
  const waiting: [number, number][] = [[0, slots.length]];
  while (waiting.length > 0 && found.length < MAX_SHIFTS) {
    const [from, to] = waiting.shift() ?? [0, 0];
    const split = firstSplit(slots, from, to, slotUs, points, rule);
    if (split === null) continue;
    found.push(split.shift);
    waiting.push([from, split.endOfFirst], [split.startOfSecond, to]);
  }
  return { shifts: betweenNeighbours(found, slots, rule), enough: true, slots: slots.length };
}

/**
 * The shifts in order, the levels of each taken up to the next one only: the first splits of a long window were fitted
 * before those within their halves were known. One that is too small then is none.
 */
function betweenNeighbours(
  found: readonly DatedShift[],
  slots: readonly LevelSlot[],
  rule: ShiftRule,
): DatedShift[] {
  let shifts = [...found].sort((a, b) => a.atUs - b.atUs);
  for (;;) {
    const levels = [...shifts, null].map((shift, i) => {
      const before = shifts[i - 1];
      const fromUs = before === undefined ? Number.NEGATIVE_INFINITY : endOf(before);
      const toUs = shift === null ? Number.POSITIVE_INFINITY : beginOf(shift);
      return median(slots.flatMap(({ atUs, value }) => (atUs >= fromUs && atUs <= toUs ? [value] : [])));
    });
    const sized = shifts.map((shift, i) => ({
      ...shift,
      from: levels[i] ?? shift.from,
      to: levels[i + 1] ?? shift.to,
    }));
    const smallest = sized.reduce((least, one) => Math.min(least, sizeOf(one)), Number.POSITIVE_INFINITY);
    if (smallest >= rule.leastSize) return sized;
    shifts = shifts.filter((_, i) => sizeOf(sized[i]) !== smallest);
  }
}

const beginOf = ({ gradual, notBeforeUs, atUs }: DatedShift) => (gradual ? notBeforeUs : atUs);
const endOf = ({ gradual, notAfterUs, atUs }: DatedShift) => (gradual ? notAfterUs : atUs);

function sizeOf(shift: DatedShift | undefined): number {
  return shift === undefined ? 0 : Math.abs(shift.to - shift.from);
}

interface FoundSplit {
  readonly shift: DatedShift;
  readonly endOfFirst: number;
  readonly startOfSecond: number;
}

/** The split of the whole stretch, else the most certain one of the widest parts that have any. */
function firstSplit(
  slots: readonly LevelSlot[],
  from: number,
  to: number,
  slotUs: number,
  points: readonly TimedValue[],
  rule: ShiftRule,
): FoundSplit | null {
  for (let length = to - from; length >= 4 * ONE_LEVEL; length = Math.floor(length / 2)) {
    let best: FoundSplit | null = null;
    for (let start = from; start + length <= to; start += Math.max(1, Math.floor(length / 2))) {
      const part = slots.slice(start, start + length);
      if ((part.at(-1)?.atUs ?? 0) - (part[0]?.atUs ?? 0) < 2 * rule.leastUs) continue;
      const split = splitOf(part, slotUs, points, length < to - from, rule);
      if (split === null || (best !== null && best.shift.p <= split.shift.p)) continue;
      best = {
        shift: split.shift,
        endOfFirst: start + split.endOfFirst,
        startOfSecond: start + split.startOfSecond,
      };
    }
    if (best !== null) return best;
  }
  return null;
}

function slotsOf(points: readonly TimedValue[], slotUs: number): LevelSlot[] {
  const base = points[0]?.tUs ?? 0;
  const slots: LevelSlot[] = [];
  for (let i = 0; i < points.length; ) {
    const grid = Math.floor(((points[i]?.tUs ?? 0) - base) / slotUs);
    const values: number[] = [];
    let sumUs = 0;
    for (; i < points.length; i += 1) {
      const point = points[i];
      if (point === undefined || Math.floor((point.tUs - base) / slotUs) !== grid) break;
      values.push(point.value);
      sumUs += point.tUs - base;
    }
    slots.push({
      atUs: base + sumUs / values.length,
      value: median(values) ?? 0,
      count: values.length,
      grid,
    });
  }
  return slots;
}

/** The best split of a stretch, or null when none counts. The cheap questions come first. */
function splitOf(
  slots: readonly LevelSlot[],
  slotUs: number,
  points: readonly TimedValue[],
  isPart: boolean,
  rule: ShiftRule,
): FoundSplit | null {
  const bounds = boundsOf(slots, rule);
  if (bounds === null) return null;
  const values = slots.map(({ value }) => value);
  const cut = bestCut(values, bounds);
  if (cut === null) return null;
  const firstGrid = slots[0]?.grid ?? 0;
  const cells = (slots.at(-1)?.grid ?? 0) - firstGrid + 1;
  // Values a cell of the grid: with gaps, or frames rarer than slots, neighbours lie further apart.
  const filled = slots.length / cells;
  const assumed = ((rule.assumedVariance * 2 * rule.assumedCorrelationUs) / slotUs) * filled;
  const sum = largestSum(values) / Math.sqrt(slots.length);
  if (bridgeTail(sum / Math.sqrt(assumed)) >= rule.mostP) return null;
  const size = (median(values.slice(cut)) ?? 0) - (median(values.slice(0, cut)) ?? 0);
  if (Math.abs(size) < rule.leastSize) return null;
  const fit = fitSegment(slots, cut, bounds);
  if (fit === null || Math.abs(fit.to - fit.from) < rule.leastSize) return null;
  const residuals = new Array<number | null>(cells).fill(null);
  slots.forEach((slot, i) => {
    residuals[slot.grid - firstGrid] = fit.residuals[i] ?? 0;
  });
  const dependence = dependenceOf(residuals);
  if (dependence === null) return null;
  const longRun = dependence.variance * (1 + (dependence.integratedTime - 1) * filled);
  const p = bridgeTail(sum / Math.sqrt(Math.max(longRun, assumed)));
  if (p >= rule.mostP) return null;
  const sharp = dated(points, slots, fit, p, slotUs);
  const isStep = !fit.gradual && isSharp(points, sharp.atUs, sharp.to - sharp.from, 0.8 * rule.leastSize);
  const shift = isStep || fit.gradual ? sharp : widened(sharp, Math.max(longRun, assumed), slotUs);
  if (!isStep && (isPart || !isClearlyGradual(shift, slots, rule))) return null;
  return { shift, endOfFirst: fit.endOfFirst, startOfSecond: fit.startOfSecond };
}

/** The moment of a change that is not sharp is as uncertain as the wander: 11 long-run variances over size squared. */
function widened(shift: DatedShift, longRun: number, slotUs: number): DatedShift {
  const widthUs = Math.min(MAX_WIDTH_US, ((11 * longRun) / (shift.to - shift.from) ** 2) * slotUs);
  return {
    ...shift,
    notBeforeUs: Math.round(shift.notBeforeUs - widthUs),
    notAfterUs: Math.round(shift.notAfterUs + widthUs),
  };
}

/** Where a cut leaves two levels that are long enough; null when nowhere. */
export function boundsOf(
  slots: readonly LevelSlot[],
  rule: ShiftRule,
): { first: number; last: number } | null {
  const n = slots.length;
  let values = 0;
  let first = 0;
  while (first < n) {
    values += slots[first]?.count ?? 0;
    first += 1;
    if (isLong(values, first, (slots[first - 1]?.atUs ?? 0) - (slots[0]?.atUs ?? 0), rule)) break;
  }
  values = 0;
  let last = n;
  while (last > 0) {
    last -= 1;
    values += slots[last]?.count ?? 0;
    if (isLong(values, n - last, (slots[n - 1]?.atUs ?? 0) - (slots[last]?.atUs ?? 0), rule)) break;
  }
  return first <= last ? { first, last } : null;
}

function isLong(values: number, slots: number, us: number, rule: ShiftRule): boolean {
  return values >= rule.leastValues && slots >= ONE_LEVEL && us >= rule.leastUs;
}

/**
 * A level that wanders passes for two in a short part; a step happens between two frames. Without one, the change must
 * be larger and its levels hold longer (the larger, the shorter), and it is sought in whole stretches only.
 */
export function isClearlyGradual(
  shift: Pick<DatedShift, "notBeforeUs" | "notAfterUs" | "from" | "to">,
  slots: readonly LevelSlot[],
  rule: ShiftRule,
): boolean {
  const beforeUs = shift.notBeforeUs - (slots[0]?.atUs ?? 0);
  const afterUs = (slots.at(-1)?.atUs ?? 0) - shift.notAfterUs;
  const heldUs = Math.min(beforeUs, afterUs);
  const size = Math.abs(shift.to - shift.from);
  return (
    (heldUs >= rule.leastGradualUs && size >= rule.leastGradualSize) ||
    (heldUs >= rule.leastLargeUs && size >= rule.leastLargeSize)
  );
}

/** Largest |Σ (x − mean)| over all beginnings of the series. */
export function largestSum(values: readonly number[]): number {
  const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
  let sum = 0;
  let most = 0;
  for (const value of values) {
    sum += value - mean;
    most = Math.max(most, Math.abs(sum));
  }
  return most;
}
