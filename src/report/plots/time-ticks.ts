/** At which moments does a time axis of the report carry a label? At five to nine round ones. */

const STEPS_MINUTES = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 4320, 7200, 10_080, 20_160];
const MOST = 9;

/** Epoch milliseconds of the ticks between two moments, counted from whole UTC steps. */
export function timeTicks(fromMs: number, toMs: number): number[] {
  const span = toMs - fromMs;
  const step =
    (STEPS_MINUTES.find((minutes) => span / (minutes * 60_000) <= MOST) ??
      Math.ceil(span / (MOST * 86_400_000)) * 1440) * 60_000;
  const first = Math.ceil(fromMs / step) * step;
  const ticks: number[] = [];
  for (let ms = first; ms <= toMs; ms += step) ticks.push(ms);
  return ticks;
}
