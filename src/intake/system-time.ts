/** What time is it, to the microsecond? The system's clock, with the monotonic clock's resolution in between. */

// performance.timeOrigin never follows a corrected system clock; a step of more than 50 ms is taken over.
const STEP_US = 50_000;
let stepUs = 0;

/** Microseconds since 1970. */
export function systemTimeUs(): number {
  const monotonicUs = (performance.timeOrigin + performance.now()) * 1000;
  const differenceUs = Date.now() * 1000 - (monotonicUs + stepUs);
  if (Math.abs(differenceUs) > STEP_US) stepUs += differenceUs;
  return Math.round(monotonicUs + stepUs);
}
