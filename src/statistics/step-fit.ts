/**
 * Which two levels describe a stretch best, with a step or a ramp between them, and does a plain slope do better?
 */
import { columnOf, median, medianInPlace, quantile, type TimedValue } from "./robust.ts";
import { theilSenLine } from "./theil-sen.ts";

/** Slots that a level needs. */
export const ONE_LEVEL = 3;

export interface Fit {
  /** Index past the last slot of the first level, and of the first slot of the second; between them a ramp. */
  readonly endOfFirst: number;
  readonly startOfSecond: number;
  readonly gradual: boolean;
  readonly from: number;
  readonly to: number;
  /** Value minus fit, slot by slot. */
  readonly residuals: readonly number[];
}

/** A half whose own best step explains this share of its scatter is taken about two levels: a second step would else pass for noise. */
const EXPLAINED = 0.7;
/** A ramp must explain so much more of the scatter than a step. */
const RAMP_GAIN = 0.25;

/** A stretch of time with the median of its values. */
interface Slot {
  readonly atUs: number;
  readonly value: number;
}

/** The first level ends at `first` or later, the second begins at `last` or earlier. */
export interface Bounds {
  readonly first: number;
  readonly last: number;
}

/** Null when a straight line fits better than a step or ramp at the cut. */
export function fitSegment(slots: readonly Slot[], cut: number, bounds: Bounds): Fit | null {
  const values = slots.map(({ value }) => value);
  const step = aboutLevels(values, cut);
  const ramp = rampAround(slots, cut, bounds);
  const chosen = ramp !== null && ramp.power < step.power * (1 - RAMP_GAIN) ? ramp : step;
  if (isLineCloser(slots, chosen.power)) return null;
  const first = values.slice(0, chosen.endOfFirst);
  const second = values.slice(chosen.startOfSecond);
  const between = values.length - first.length - second.length;
  const residuals = [
    ...innerResiduals(first),
    ...chosen.residuals.slice(first.length, first.length + between),
    ...innerResiduals(second),
  ];
  return {
    endOfFirst: chosen.endOfFirst,
    startOfSecond: chosen.startOfSecond,
    gradual: chosen === ramp,
    from: median(first) ?? 0,
    to: median(second) ?? 0,
    residuals,
  };
}

interface Levels {
  readonly endOfFirst: number;
  readonly startOfSecond: number;
  readonly residuals: readonly number[];
  readonly power: number;
}

/** The cut that leaves the least squares about two means. */
export function bestCut(values: readonly number[], { first, last }: Bounds): number | null {
  const n = values.length;
  const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, n);
  let sum = 0;
  let most = -1;
  let cut: number | null = null;
  for (let at = 1; at <= last && at < n; at += 1) {
    sum += (values[at - 1] ?? 0) - mean;
    if (at < first) continue;
    const gain = (sum * sum) / (at * (n - at));
    if (gain <= most) continue;
    most = gain;
    cut = at;
  }
  return cut;
}

function aboutLevels(values: readonly number[], cut: number): Levels {
  const before = median(values.slice(0, cut)) ?? 0;
  const after = median(values.slice(cut)) ?? 0;
  const residuals = values.map((value, i) => value - (i < cut ? before : after));
  return { endOfFirst: cut, startOfSecond: cut, residuals, power: powerOf(residuals) };
}

/** Ramps about the cut, their ends tried on a coarse grid. */
function rampAround(slots: readonly Slot[], cut: number, { first, last }: Bounds): Levels | null {
  const n = slots.length;
  const times = columnOf(slots, ({ atUs }) => atUs);
  const values = columnOf(slots, ({ value }) => value);
  const stride = Math.max(1, Math.floor(n / 24));
  const ends: { readonly end: number; readonly to: number }[] = [];
  for (let end = cut + stride; end <= last; end += stride)
    ends.push({ end, to: medianInPlace(values.slice(end)) });
  let best: Ramp | null = null;
  let least = Number.POSITIVE_INFINITY;
  for (let begin = cut - stride; begin >= first; begin -= stride) {
    const from = medianInPlace(values.slice(0, begin));
    for (const { end, to } of ends) {
      const ramp = { beginAt: begin, endAt: end, from, to };
      const sum = squaresAbout(times, values, ramp, least);
      if (sum >= least) continue;
      least = sum;
      best = ramp;
    }
  }
  if (best === null) return null;
  const { beginAt, endAt } = best;
  const residuals = Array.from(values, (value, i) => value - levelAt(times, best, i));
  return { endOfFirst: beginAt, startOfSecond: endAt, residuals, power: powerOf(residuals) };
}

interface Ramp {
  /** As `endOfFirst` and `startOfSecond` of a fit. */
  readonly beginAt: number;
  readonly endAt: number;
  readonly from: number;
  readonly to: number;
}

/** What a ramp says of the slot at a place. */
function levelAt(times: Float64Array, { beginAt, endAt, from, to }: Ramp, place: number): number {
  if (place < beginAt) return from;
  if (place >= endAt) return to;
  const fromUs = times[beginAt - 1] ?? 0;
  return from + ((to - from) * ((times[place] ?? 0) - fromUs)) / ((times[endAt] ?? 0) - fromUs);
}

/** Sum of squares about a ramp; given up once it is no longer below `least`. */
function squaresAbout(times: Float64Array, values: Float64Array, ramp: Ramp, least: number): number {
  let sum = 0;
  for (let i = 0; i < values.length && sum < least; i += 1)
    sum += ((values[i] ?? 0) - levelAt(times, ramp, i)) ** 2;
  return sum;
}

/** About one level, or about two where a step of its own explains most of the scatter. */
function innerResiduals(values: readonly number[]): number[] {
  const level = median(values) ?? 0;
  const plain = values.map((value) => value - level);
  const cut = bestCut(values, { first: ONE_LEVEL, last: values.length - ONE_LEVEL });
  if (cut === null) return plain;
  const two = aboutLevels(values, cut);
  return two.power < powerOf(plain) * (1 - EXPLAINED) ? [...two.residuals] : plain;
}

/** Whether Theil and Sen's line leaves less than so much power. */
function isLineCloser(slots: readonly Slot[], power: number): boolean {
  const n = slots.length;
  const base = slots[0]?.atUs ?? 0;
  const xs = columnOf(slots, ({ atUs }) => (atUs - base) / 3.6e9);
  const ys = columnOf(slots, ({ value }) => value);
  // No line leaves less than that of least squares.
  if (leastSquaresPower(xs, ys) >= power) return false;
  // Every second slot or fewer: the slope of all pairs needs no more.
  const stride = Math.ceil(n / 120);
  const kept = (_: number, i: number) => i % stride === 0;
  const line = theilSenLine(xs.filter(kept), ys.filter(kept));
  if (line === null) return false;
  let sum = 0;
  for (let i = 0; i < n; i += 1) sum += ((ys[i] ?? 0) - line.intercept - line.slope * (xs[i] ?? 0)) ** 2;
  return sum / Math.max(1, n) < power;
}

function leastSquaresPower(xs: Float64Array, ys: Float64Array): number {
  const n = Math.max(1, xs.length);
  let [sumX, sumY] = [0, 0];
  for (let i = 0; i < xs.length; i += 1) {
    sumX += xs[i] ?? 0;
    sumY += ys[i] ?? 0;
  }
  let [xx, xy, yy] = [0, 0, 0];
  for (let i = 0; i < xs.length; i += 1) {
    const x = (xs[i] ?? 0) - sumX / n;
    const y = (ys[i] ?? 0) - sumY / n;
    xx += x * x;
    xy += x * y;
    yy += y * y;
  }
  return (xx > 0 ? yy - (xy * xy) / xx : yy) / n;
}

function powerOf(residuals: readonly number[]): number {
  return residuals.reduce((sum, value) => sum + value * value, 0) / Math.max(1, residuals.length);
}

// At which moment did a level step, and within which range?

/** A dated step; `from` and `to`: medians of the level before and after. Moments in microseconds since 1970. */
export interface DatedShift extends Pick<Fit, "gradual" | "from" | "to"> {
  readonly atUs: number;
  /** For a step the range of its moment, for a gradual change its begin and end. */
  readonly notBeforeUs: number;
  readonly notAfterUs: number;
  readonly p: number;
}

export interface LevelSlot extends Slot {
  readonly count: number;
  /** Place on the even grid. */
  readonly grid: number;
}

/** Values next to the step from which its moment is estimated. */
const NEAR = 40;

/** Moment by single values, where the slots say about. */
export function dated(
  points: readonly TimedValue[],
  slots: readonly LevelSlot[],
  fit: Fit,
  p: number,
  slotUs: number,
): DatedShift {
  const before = slots[fit.endOfFirst - 1];
  const after = slots[fit.startOfSecond];
  const shared = { gradual: fit.gradual, from: fit.from, to: fit.to, p };
  if (before === undefined || after === undefined) throw new RangeError("A split has two sides.");
  if (fit.gradual) {
    return {
      ...shared,
      atUs: Math.round((before.atUs + after.atUs) / 2),
      notBeforeUs: Math.round(before.atUs),
      notAfterUs: Math.round(after.atUs),
    };
  }
  const reachUs = 2 * slotUs;
  const near = points.filter(
    ({ tUs }) => tUs >= before.atUs - reachUs - NEAR * slotUs && tUs <= after.atUs + reachUs + NEAR * slotUs,
  );
  const middle = (fit.from + fit.to) / 2;
  // The cut with the most values on their own side of the middle, weighed by how far they lie from it.
  const sign = Math.sign(fit.to - fit.from);
  const half = Math.abs(fit.to - fit.from) / 2;
  let sum = 0;
  let best = Number.POSITIVE_INFINITY;
  let cut = -1;
  near.forEach(({ tUs, value }, i) => {
    if (tUs >= before.atUs - reachUs && tUs <= after.atUs + reachUs && sum < best) {
      best = sum;
      cut = i;
    }
    sum += Math.max(-half, Math.min(half, sign * (value - middle)));
  });
  const atLeft = near[cut - 1]?.tUs ?? before.atUs;
  const atRight = near[cut]?.tUs ?? after.atUs;
  // Bai, Review of Economics and Statistics 79 (1997) 551-563 (from memory): 11 variances over size squared at 95 %.
  const power = fit.residuals.reduce((total, value) => total + value * value, 0) / fit.residuals.length;
  const widthUs = ((11 * power) / (fit.to - fit.from) ** 2) * medianGap(near);
  return {
    ...shared,
    atUs: Math.round((atLeft + atRight) / 2),
    notBeforeUs: Math.round(atLeft - widthUs),
    notAfterUs: Math.round(atRight + widthUs),
  };
}

function medianGap(points: readonly TimedValue[]): number {
  return median(points.slice(1).map((point, i) => point.tUs - (points[i]?.tUs ?? 0))) ?? 0;
}

// Did a level change from one value to the next, as a step does, or did it wander there?

/** Values on each side of a place whose medians are compared, and how far they may lie from it. */
const BESIDE = 8;
const BESIDE_LEAST = 3;
const BESIDE_US = 20 * 60e6;
/** So many usual differences must the one at the step be, more where few values lie near it, and so much more than all but a twentieth of them (chosen). */
const SHARP = 4;
const SHARP_A_MISSING_VALUE = 0.5;
const RARE = 1.5;
const MAX_PLACES = 400;
const MIN_PLACES = 12;

/**
 * Whether the level changes at once: the medians of the few values just before and after differ by most of the step,
 * and by far more than medians of neighbours elsewhere in the series do. `points` in order of time, the whole series.
 */
export function isSharp(
  points: readonly TimedValue[],
  atUs: number,
  size: number,
  leastJump: number,
): boolean {
  const at = points.findIndex(({ tUs }) => tUs >= atUs);
  const jump = jumpAt(points, at);
  if (jump === null) return false;
  const here = jump.size * Math.sign(size);
  if (here < Math.max(0.6 * Math.abs(size), leastJump)) return false;
  const stride = Math.max(1, Math.floor(points.length / MAX_PLACES));
  const elsewhere: number[] = [];
  for (let i = BESIDE_LEAST; i <= points.length - BESIDE_LEAST; i += stride) {
    const other = Math.abs(i - at) < BESIDE ? null : jumpAt(points, i);
    if (other !== null) elsewhere.push(Math.abs(other.size));
  }
  if (elsewhere.length < MIN_PLACES) return false;
  const usual = Math.max(0.3, 1.4826 * (median(elsewhere) ?? 0));
  const sharp = SHARP + SHARP_A_MISSING_VALUE * (BESIDE - jump.values);
  return here >= sharp * usual && here >= RARE * (quantile(elsewhere, 0.95) ?? 0);
}

/** Median after minus median before the place; null with too few values near it. */
function jumpAt(points: readonly TimedValue[], at: number): { size: number; values: number } | null {
  const placeUs = points[at]?.tUs ?? 0;
  const before: number[] = [];
  const after: number[] = [];
  for (let i = at - 1; i >= 0 && before.length < BESIDE; i -= 1) {
    const point = points[i];
    if (point === undefined || placeUs - point.tUs > BESIDE_US) break;
    before.push(point.value);
  }
  for (let i = at; i < points.length && after.length < BESIDE; i += 1) {
    const point = points[i];
    if (point === undefined || point.tUs - placeUs > BESIDE_US) break;
    after.push(point.value);
  }
  if (before.length < BESIDE_LEAST || after.length < BESIDE_LEAST) return null;
  return {
    size: (median(after) ?? 0) - (median(before) ?? 0),
    values: Math.min(before.length, after.length),
  };
}
