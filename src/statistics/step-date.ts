/** When did a level step, and was it a step? The fits of levels stand in step-fit.ts. */
import { median, quantile, type TimedValue } from "./robust.ts";
import type { Fit } from "./step-fit.ts";

// At which moment did a level step, and within which range?

/** A dated step. Moments in microseconds since 1970. */
export interface DatedShift {
  readonly atUs: number;
  /** For a step the range of its moment, for a gradual change its begin and end. */
  readonly notBeforeUs: number;
  readonly notAfterUs: number;
  readonly gradual: boolean;
  /** Medians of the level before and after. */
  readonly from: number;
  readonly to: number;
  readonly p: number;
}

/** A stretch of time with the median of its values. */
export interface LevelSlot {
  readonly atUs: number;
  readonly value: number;
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
