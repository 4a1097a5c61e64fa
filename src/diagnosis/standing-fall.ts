/** Did a link fall and stay low to the end of what was heard: by how much, when, and since how long? */
import type { LinkShift, StandingFall } from "../contract/link.ts";
import { HOUR_US, median } from "../statistics/robust.ts";
import { duration, sizeInDb } from "../words/format.ts";
import { linkShifts } from "./link-changes.ts";
import { type LinkFrame, MEASURE_NAMES, powerSeries, snrSeries } from "./link-frame.ts";

/** When a fall needs a look. Both chosen: less is within what weather and parked vehicles do in a day. */
export const FALL_LIMITS = { leastDb: 6, leastHeldUs: HOUR_US } as const;

/**
 * The newest step down that still holds at the last frame, or null. Found as every step of a link is (`linkShifts`);
 * of the limits' size at least, held for the limits' time at least, not taken back by later steps, and the last hour
 * lies nearer to the low level than to the high one. `frames` in order of time.
 */
export function standingFall(frames: readonly LinkFrame[]): StandingFall | null {
  const lastUs = frames.at(-1)?.atUs;
  if (lastUs === undefined) return null;
  const { shifts } = linkShifts(frames, Number.NEGATIVE_INFINITY);
  const shift = shifts.findLast((one) => one.sizeDb <= -FALL_LIMITS.leastDb);
  if (shift === undefined) return null;
  const heldUs = lastUs - Date.parse(shift.notAfter) * 1000;
  if (heldUs < FALL_LIMITS.leastHeldUs || isTakenBack(shift, shifts) || !isLow(frames, lastUs, shift))
    return null;
  const { at, notBefore, notAfter, measure, sizeDb, sizeInterval95, atLeast, withDataRateChange, sentence } =
    shift;
  return {
    at,
    notBefore,
    notAfter,
    measure,
    sizeDb,
    sizeInterval95,
    atLeast,
    withDataRateChange,
    heldSeconds: Math.round(heldUs / 1e6),
    sentence,
    clause: `${MEASURE_NAMES[measure]} fell by ${sizeInDb(shift)} and has stayed low for ${duration(heldUs / 1e6)}`,
  };
}

/** Whether later steps of the same measure brought the level back to within the limit of where it was. */
function isTakenBack(fall: LinkShift, shifts: readonly LinkShift[]): boolean {
  const last = shifts.findLast(({ measure }) => measure === fall.measure) ?? fall;
  return last.toMedianDb > fall.fromMedianDb - FALL_LIMITS.leastDb;
}

function isLow(frames: readonly LinkFrame[], lastUs: number, fall: LinkShift): boolean {
  const series = fall.measure === "snr" ? snrSeries(frames) : powerSeries(frames);
  const newest = series.filter(({ tUs }) => tUs >= lastUs - HOUR_US).map(({ value }) => value);
  const level = median(newest);
  return level !== null && level < (fall.fromMedianDb + fall.toMedianDb) / 2;
}
