/**
 * At which moment did a level step, and within which range?
 */
import { median } from "./robust.ts";
import type { Fit } from "./step-fit.ts";
import type { TimedValue } from "./thin.ts";

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
export interface Slot {
  readonly atUs: number;
  readonly value: number;
  readonly count: number;
  /** Place on the even grid. */
  readonly grid: number;
}

/** Values next to the step from which its moment is told. */
const NEAR = 40;

/** Moment by single values, where the slots say about. */
export function dated(
  points: readonly TimedValue[],
  slots: readonly Slot[],
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
