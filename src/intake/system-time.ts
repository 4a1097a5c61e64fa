/**
 * What time is it, to the microsecond? The system's clock, anchored to the monotonic clock: the time given never runs
 * backwards. When the system's clock is set forward, or the machine slept, the time follows. When it is set back, the
 * time goes on from where it was until the system's clock has caught up: otherwise frames would overtake each other.
 */

/** A difference below this is no step: both clocks are read one after the other. */
const STEP_US = 50_000;
/** From this on a step forward is a boundary of recorded time. Chosen: shorter than any keepalive interval. */
const BOUNDARY_US = 1_000_000;

/** The system's clock was set, or the machine slept, between two readings. */
export interface ClockStep {
  /** The time before and after it, as given. Equal when the clock was set back. */
  readonly fromUs: number;
  readonly toUs: number;
  /** By how much the system's clock moved against the monotonic one, microseconds. */
  readonly byUs: number;
}

/** The clocks that a steady clock is made from. */
export interface ClockReadings {
  /** Microseconds since 1970. */
  readonly systemUs: () => number;
  /** Microseconds that never run back; they may stand still while the machine sleeps. */
  readonly monotonicUs: () => number;
}

/** Gives times that never run backwards, and the steps that the system's clock made. */
export class SteadyClock {
  readonly #readings: ClockReadings;
  /** Time given, and the two clocks, at the last reading. */
  #anchor: { readonly atUs: number; readonly systemUs: number; readonly monotonicUs: number } | null = null;
  #steps: ClockStep[] = [];

  constructor(readings: ClockReadings) {
    this.#readings = readings;
  }

  /** Returns microseconds since 1970. */
  nowUs(): number {
    const systemUs = this.#readings.systemUs();
    const monotonicUs = this.#readings.monotonicUs();
    if (this.#anchor === null) {
      this.#anchor = { atUs: systemUs, systemUs, monotonicUs };
      return Math.round(systemUs);
    }
    const passedUs = Math.max(0, monotonicUs - this.#anchor.monotonicUs);
    const steadyUs = this.#anchor.atUs + passedUs;
    const byUs = systemUs - this.#anchor.systemUs - passedUs;
    if (Math.abs(byUs) <= STEP_US) return Math.round(steadyUs);
    const atUs = Math.max(steadyUs, systemUs);
    if (Math.abs(byUs) >= BOUNDARY_US && this.#steps.length < MAX_STEPS)
      this.#steps.push({ fromUs: Math.round(steadyUs), toUs: Math.round(atUs), byUs });
    this.#anchor = { atUs, systemUs, monotonicUs };
    return Math.round(atUs);
  }

  /** Returns the steps since it was asked last, of a second and more, in order. */
  takeSteps(): ClockStep[] {
    const steps = this.#steps;
    this.#steps = [];
    return steps;
  }
}

/** Steps remembered until somebody asks for them. */
const MAX_STEPS = 64;

// performance.timeOrigin never follows a corrected system clock.
const clock = new SteadyClock({
  systemUs: () => Date.now() * 1000,
  monotonicUs: () => performance.now() * 1000,
});

/** Microseconds since 1970; never runs backwards. */
export function systemTimeUs(): number {
  return clock.nowUs();
}

/** The steps of the system's clock since this was asked last, by this thread. */
export function takeClockSteps(): ClockStep[] {
  return clock.takeSteps();
}

/** Milliseconds that never step back: the same count in every thread of this program. */
export function processMs(): number {
  return Number(process.hrtime.bigint() / 1_000n) / 1_000;
}
