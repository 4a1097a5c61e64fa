/**
 * Did a level change from one value to the next, as a step does, or did it wander there?
 */
import { median, quantile } from "./robust.ts";
import type { TimedValue } from "./thin.ts";

/** Values on each side of a place whose medians are compared, and how far they may lie from it. */
const BESIDE = 8;
const BESIDE_LEAST = 3;
const BESIDE_US = 20 * 60e6;
/** So many usual differences must the one at the step be, more where few values lie near it, and so much more than all but a twentieth of them (chosen). */
const SHARP = 4;
const SHARP_A_MISSING_VALUE = 0.5;
const RARE = 1.5;
const MOST_PLACES = 400;
const LEAST_PLACES = 12;

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
  const stride = Math.max(1, Math.floor(points.length / MOST_PLACES));
  const elsewhere: number[] = [];
  for (let i = BESIDE_LEAST; i <= points.length - BESIDE_LEAST; i += stride) {
    const other = Math.abs(i - at) < BESIDE ? null : jumpAt(points, i);
    if (other !== null) elsewhere.push(Math.abs(other.size));
  }
  if (elsewhere.length < LEAST_PLACES) return false;
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
