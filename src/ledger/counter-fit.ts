/**
 * How well does a counter continue a life? The bounds and likelihoods that the accounting decides by, with keys and
 * without.
 * Sources: LoRaWAN 1.0.2, section 4.3.1.5 (MAX_FCNT_GAP 16384).
 */

import { figure } from "../words/format.ts";
import { type LifeState, RECENT_COUNTERS, RHYTHM_STEPS, rhythmUs } from "./life-state.ts";

/** LoRaWAN 1.0.2, section 4.3.1.5: MAX_FCNT_GAP. No life is continued over a larger step. */
const MAX_FCNT_GAP = 16_384;
/** A late arrival is at most this many counters behind. Common practice, no source. */
const LATE_COUNTERS = 32;
/** and at most this long after the frame that overtook it. Common practice, no source. */
const LATE_US = 60_000_000;
/** Fastest counting believed while a life's rhythm is unknown. Chosen: one frame a second beats every duty cycle. */
const FASTEST_STEP_US = 1_000_000;

/** Eight times as fast as the rhythm predicts, and some: a bound, not a belief. */
export function largestStep(elapsedUs: number, rhythm: number | null): number {
  const predicted = rhythm === null ? elapsedUs / FASTEST_STEP_US : (8 * elapsedUs) / Math.max(rhythm, 1);
  return Math.min(MAX_FCNT_GAP, Math.floor(predicted) + 16);
}

/**
 * Minus the logarithm of a normal likelihood (constants left out) of this many steps in this time, with a
 * spread of 0.3 steps plus 5 % of the expectation. Decides between lives that go on side by side: a life long
 * silent predicts vaguely and loses against one that predicts exactly.
 */
export function forwardCost(step: number, elapsedUs: number, rhythm: number | null): number {
  if (rhythm === null) return 2 + Math.log(step);
  const expected = elapsedUs / Math.max(rhythm, 1);
  const spread = 0.3 + 0.05 * expected;
  return ((step - expected) / spread) ** 2 / 2 + Math.log(spread);
}

/**
 * The longest time from one transmission of a counter to the next. Chosen: an unconfirmed frame is repeated after its receive
 * windows, a confirmed one 1 to 3 s after them (LoRaWAN L2 1.0.4, RETRANSMIT_TIMEOUT); the longest frame, 2.8 s at SF12, keeps
 * a node at 1 % duty cycle silent for 280 s. Twice that leaves room.
 */
const REPEAT_WITHIN_US = 600_000_000;

/**
 * Whether a counter that was heard before can be a repeat now. Once a newer counter was sent the older one is not sent again: then
 * only a late delivery brings it.
 */
export function isInTimeForARepeat(life: LifeState, counter: number, atUs: number): boolean {
  return counter === life.lastCounter
    ? atUs - life.lastAtUs <= REPEAT_WITHIN_US
    : atUs - life.highAtUs <= LATE_US;
}

export function isLate(
  life: LifeState,
  counter: number,
  back: number,
  elapsedUs: number,
  rhythm: number | null,
): boolean {
  if (back > LATE_COUNTERS || elapsedUs > LATE_US) return false;
  // Below its first counter a life is only extended while it is too young to tell a fall from a late frame.
  if (counter < life.firstCounter && life.heard >= 3) return false;
  if (life.lastCounter - counter >= RECENT_COUNTERS) return false;
  return back <= 2 || rhythm === null || back * rhythm <= LATE_US;
}

/** A device that began again at 0 has had the time to count to this frame (with room for a faster start). */
export function couldBeReset(
  before: LifeState,
  lastCounter: number,
  { counter, atUs }: { readonly counter: number; readonly atUs: number },
): boolean {
  if (counter <= 2) return true;
  const stepUs = 0.4 * (rhythmUs(before) ?? FASTEST_STEP_US);
  return counter < lastCounter && (counter + 1) * stepUs <= atUs - before.highAtUs;
}

/** Remainder modulo 2^16, never negative. */
export function modulo16(value: number): number {
  return ((value % 65_536) + 65_536) % 65_536;
}

/** Takes a counter step into the rhythm and the height of a life. */
export function advance(life: LifeState, counter: number, atUs: number): void {
  life.stepsUs.push(Math.max(0, atUs - life.highAtUs) / (counter - life.lastCounter));
  if (life.stepsUs.length > RHYTHM_STEPS) life.stepsUs.shift();
  life.lastCounter = counter;
  life.highAtUs = atUs;
}

/** "fell from 4,212 to 0" or "went from 7 to 9,000". */
export function changeWords(from: number, to: number): string {
  return `counter ${to < from ? "fell" : "went"} from ${figure(from)} to ${figure(to)}`;
}
