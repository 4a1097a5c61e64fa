/**
 * Which two levels describe a stretch best, with a step or a ramp between them, and does a plain slope do better?
 */
import { columnOf, median, medianInPlace } from "./robust.ts";
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
