/**
 * What does a gateway's 32-bit microsecond counter (`tmst`) say: how much time passed, did it restart, how fast does it run?
 */
import type { CounterAcross } from "../model/gap.ts";

/** The counter wraps every 2^32 microseconds: 4294.967296 s, 71 min 35 s. */
export const TMST_PERIOD_US = 2 ** 32;
const HALF_PERIOD_US = 2 ** 31;

/** Difference of two counter values as the shortest step, above -2^31 and up to 2^31 microseconds. */
export function tmstStepUs(before: number, after: number): number {
  return wrapUs(after - before);
}

/** Microseconds that a counter runs from one value on to another, 0 to below 2^32. */
export function counterDelayUs(fromTmstUs: number, toTmstUs: number): number {
  return (((toTmstUs - fromTmstUs) % TMST_PERIOD_US) + TMST_PERIOD_US) % TMST_PERIOD_US;
}

/** A difference of microseconds less the whole turns of the counter in it, above -2^31 and up to 2^31. */
export function wrapUs(differenceUs: number): number {
  const step = counterDelayUs(0, differenceUs);
  return step > HALF_PERIOD_US ? step - TMST_PERIOD_US : step;
}

// Did a gateway's concentrator start anew between two receptions? Its microsecond counter tells: it wraps
// every 2^32 µs, but it cannot run differently from the capturing clock except by beginning again at zero.

export interface CounterReading {
  readonly tmstUs: number;
  readonly atUs: number;
}

// Tolerance of the residual: 2 s for jitter of the path plus 100 ppm for the two clocks (udp forwarding
// practice; the reference daemon distrusts its own clock beyond 10 ppm).
const JITTER_US = 2_000_000;
const CLOCKS_PPM = 100;
/** A counter that began at zero shows no more than the time since the last reading, plus the same jitter. */
const START_SLACK_US = 5_000_000;

/**
 * True when the counter restarted after `before`. Readings out of order, or a step of the capturing clock
 * that leaves the counter large, are no restart. A restart goes unseen with a probability of about 0.1 %
 * (the new count happens to fit), which the residual test cannot avoid.
 */
export function restartedBetween(before: CounterReading, after: CounterReading): boolean {
  const elapsedUs = after.atUs - before.atUs;
  // The very same count again is a counter that stands still, not one that began again.
  if (elapsedUs <= 0 || after.tmstUs === before.tmstUs) return false;
  if (continues(before, after)) return false;
  return after.tmstUs <= elapsedUs + START_SLACK_US;
}

/** Whether `after` reads what the counter of `before` must show by then, within jitter and drift. */
export function continues(before: CounterReading, after: CounterReading): boolean {
  const elapsedUs = after.atUs - before.atUs;
  const counted = after.tmstUs - before.tmstUs - elapsedUs;
  const residual = wrapUs(counted);
  return Math.abs(residual) <= JITTER_US + (Math.abs(elapsedUs) * CLOCKS_PPM) / 1_000_000;
}

/** A counter that stood still goes on from where it stood: so long before and after it the last and first packet came. Chosen. */
const STOOD_BESIDE_US = 900_000_000;

/** What the counter did between two readings; null where neither fits, or the readings are out of order. */
export function counterAcross(before: CounterReading, after: CounterReading): CounterAcross | null {
  const elapsedUs = after.atUs - before.atUs;
  if (elapsedUs <= 0) return null;
  const counted = after.tmstUs - before.tmstUs - elapsedUs;
  const residual = wrapUs(counted);
  if (Math.abs(residual) <= JITTER_US + (elapsedUs * CLOCKS_PPM) / 1_000_000) return "ran-on";
  const advanceUs = counterDelayUs(before.tmstUs, after.tmstUs);
  if (advanceUs < Math.min(STOOD_BESIDE_US, elapsedUs) && after.tmstUs > advanceUs) return "stood";
  return restartedBetween(before, after) ? "began-anew" : null;
}

/**
 * When the counter began that reads `after`, on the capturing clock: the latest moment at which it stood at zero (over
 * 71 min it may have wrapped since), and never before the reading of the old one. A packet that was held up on its way
 * makes it later by as much.
 */
export function beganAtUs(before: CounterReading, after: CounterReading): number {
  return Math.max(before.atUs + 1, after.atUs - after.tmstUs);
}
