/** Where does a time axis carry marks, and what do they say? Round local times, never so many that they touch. */
import { dayMonth, hourMinute } from "../format/times.ts";

export interface TimeMark {
  readonly ms: number;
  readonly label: string;
}

const MINUTE = 60_000;
const DAY = 86_400_000;
const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720].map((minutes) => minutes * MINUTE);
const DAY_STEPS = [1, 2, 7, 14, 28, 56, 112];

/** Marks between two moments, at most `most` of them; midnights carry the date. */
export function timeMarks(fromMs: number, toMs: number, most: number): TimeMark[] {
  const span = toMs - fromMs;
  if (!(span > 0) || most < 1) return [];
  const step = STEPS.find((size) => span / size <= most);
  const marks: TimeMark[] = [];
  const at = new Date(fromMs);
  at.setHours(0, 0, 0, 0);
  if (step !== undefined) {
    // From midnight of the first day, anew at each midnight: a changed clock does not shift the marks of the day after.
    while (at.getTime() < toMs) {
      const midnight = at.getTime();
      at.setDate(at.getDate() + 1);
      for (let ms = midnight; ms < at.getTime() && ms < toMs; ms += step)
        if (ms >= fromMs) marks.push({ ms, label: ms === midnight ? dayMonth(ms) : hourMinute(ms) });
    }
    return marks;
  }
  const days = DAY_STEPS.find((size) => span / (size * DAY) <= most) ?? Math.ceil(span / DAY / most);
  while (at.getTime() < toMs) {
    if (at.getTime() >= fromMs) marks.push({ ms: at.getTime(), label: dayMonth(at.getTime()) });
    at.setDate(at.getDate() + days);
  }
  return marks;
}
