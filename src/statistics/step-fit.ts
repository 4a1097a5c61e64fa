/**
 * Which two levels describe a stretch best, with a step or a ramp between them, and does a plain slope do better?
 */
import { median } from "./robust.ts";
import { theilSen } from "./theil-sen.ts";

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
  if (linePower(slots) < chosen.power) return null;
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
  const values = slots.map(({ value }) => value);
  const stride = Math.max(1, Math.floor(n / 24));
  let best: Levels | null = null;
  for (let begin = cut - stride; begin >= first; begin -= stride) {
    const from = median(values.slice(0, begin)) ?? 0;
    for (let end = cut + stride; end <= last; end += stride) {
      const to = median(values.slice(end)) ?? 0;
      const fromUs = slots[begin - 1]?.atUs ?? 0;
      const overUs = (slots[end]?.atUs ?? 0) - fromUs;
      const residuals = slots.map(({ atUs, value }, i) => {
        if (i < begin) return value - from;
        return i >= end ? value - to : value - from - ((to - from) * (atUs - fromUs)) / overUs;
      });
      const power = powerOf(residuals);
      if (best === null || power < best.power)
        best = { endOfFirst: begin, startOfSecond: end, residuals, power };
    }
  }
  return best;
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

function linePower(slots: readonly Slot[]): number {
  const base = slots[0]?.atUs ?? 0;
  // Every second slot or fewer: the slope of all pairs needs no more.
  const stride = Math.ceil(slots.length / 120);
  const xy = slots.map(({ atUs, value }) => ({ x: (atUs - base) / 3.6e9, y: value }));
  const { slope, intercept } = theilSen(xy.filter((_, i) => i % stride === 0));
  if (slope === null || intercept === null) return Number.POSITIVE_INFINITY;
  return powerOf(xy.map(({ x, y }) => y - intercept - slope * x));
}

function powerOf(residuals: readonly number[]): number {
  return residuals.reduce((sum, value) => sum + value * value, 0) / Math.max(1, residuals.length);
}
