/**
 * What does a gateway's 32-bit microsecond counter (`tmst`) say: how much time passed, did it restart, how fast does it run?
 */

import type { CounterAcross } from "../model/gap.ts";
import { theilSen } from "../statistics/theil-sen.ts";

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

/**
 * Counter values in order of arrival as one growing count. Small steps back are frames out of order, not wraps.
 * Only where neighbours lie less than 35 minutes apart; over longer gaps use `TmstClock`.
 */
export function unwrapTmst(values: readonly number[]): number[] {
  const out: number[] = [];
  let last: number | null = null;
  let extended = 0;
  for (const value of values) {
    extended = last === null ? value : extended + tmstStepUs(last, value);
    last = value;
    out.push(extended);
  }
  return out;
}

export interface TmstReading {
  /** Counter without wraps, microseconds; comparable within one epoch only. */
  readonly extendedUs: number;
  /** Grows by one with every restart of the counter. */
  readonly epoch: number;
  readonly restarted: boolean;
}

/**
 * One gateway's counter, unwrapped while packets arrive. The receiver's monotonic clock counts the wraps over long
 * gaps and exposes restarts: a step that differs from the elapsed time by more than 2 s plus 100 ppm (common
 * practice, no source) begins a new epoch. Endless alternating restarts mean two processes under one EUI.
 */
export class TmstClock {
  #raw: number | null = null;
  #extendedUs = 0;
  #monotonicUs = 0;
  #epoch = 0;

  /** Restarts seen so far. */
  get restarts(): number {
    return this.#epoch;
  }

  /** @param monotonicUs the receiver's monotonic time of the packet, microseconds; never wall time. */
  read(tmstUs: number, monotonicUs: number): TmstReading {
    const last = this.#raw;
    if (last === null) {
      return this.#remember(tmstUs, tmstUs, monotonicUs, false);
    }
    const elapsedUs = monotonicUs - this.#monotonicUs;
    const short = tmstStepUs(last, tmstUs);
    const wraps = Math.round((elapsedUs - short) / TMST_PERIOD_US);
    const step = short + wraps * TMST_PERIOD_US;
    const toleranceUs = 2_000_000 + 100e-6 * Math.abs(elapsedUs);
    if (Math.abs(step - elapsedUs) > toleranceUs) {
      this.#epoch += 1;
      return this.#remember(tmstUs, tmstUs, monotonicUs, true);
    }
    return this.#remember(tmstUs, this.#extendedUs + step, monotonicUs, false);
  }

  #remember(raw: number, extendedUs: number, monotonicUs: number, restarted: boolean): TmstReading {
    this.#raw = raw;
    this.#extendedUs = extendedUs;
    this.#monotonicUs = monotonicUs;
    return { extendedUs, epoch: this.#epoch, restarted };
  }
}

export interface CounterMoment {
  readonly tmstUs: number;
  /** Receiver's clock at that moment, microseconds. */
  readonly atUs: number;
}

export interface ContinuityTest {
  /** Counter step minus elapsed time, wrapped to half a period, microseconds. */
  readonly residualUs: number;
  readonly toleranceUs: number;
  /** False: the concentrator restarted in between. */
  readonly continuous: boolean;
  /** Chance that a restarted counter looks continuous. */
  readonly falseMatchProbability: number;
}

/**
 * Did the concentrator keep running across a gap? Continuous when counter and clock agree to 0.5 s plus 50 ppm of
 * the gap (common practice, no source).
 */
export function continuityAcross(before: CounterMoment, after: CounterMoment): ContinuityTest {
  const elapsedUs = after.atUs - before.atUs;
  const residualUs = wrapUs(after.tmstUs - before.tmstUs - elapsedUs);
  const toleranceUs = 500_000 + 50e-6 * Math.abs(elapsedUs);
  return {
    residualUs,
    toleranceUs,
    continuous: Math.abs(residualUs) <= toleranceUs,
    falseMatchProbability: falseMatchProbability(toleranceUs),
  };
}

/** Chance that a counter which restarted at random lies within a tolerance: twice the tolerance over the period. */
export function falseMatchProbability(toleranceUs: number): number {
  return Math.min(1, (2 * toleranceUs) / TMST_PERIOD_US);
}

/**
 * How much faster than the reference a counter runs, parts per million, by Theil-Sen; null with fewer than two
 * distinct moments. Positive: the concentrator runs fast, and reads every node's frequency too low.
 * Beyond 10 ppm suspect the host's clock or the unwrapping (SX1302 packet forwarder, timersync).
 */
export function clockDriftPpm(
  readings: readonly { readonly counterUs: number; readonly referenceUs: number }[],
): number | null {
  const base = readings[0];
  if (base === undefined) {
    return null;
  }
  // The difference is small and so keeps its digits; its slope is the drift itself.
  const slope = theilSen(
    readings.map((r) => ({
      x: r.referenceUs - base.referenceUs,
      y: r.counterUs - base.counterUs - (r.referenceUs - base.referenceUs),
    })),
  ).slope;
  return slope === null ? null : slope * 1e6;
}

/**
 * The least delayed reading of every minute: network delay only ever makes a packet late, so the minima carry the
 * clock. Feed them to `clockDriftPpm`.
 */
export function leastDelayedEachMinute(
  readings: readonly { readonly counterUs: number; readonly referenceUs: number }[],
): { readonly counterUs: number; readonly referenceUs: number }[] {
  const best = new Map<number, { readonly counterUs: number; readonly referenceUs: number }>();
  for (const reading of readings) {
    const minute = Math.floor(reading.referenceUs / 60_000_000);
    const kept = best.get(minute);
    if (kept === undefined || reading.referenceUs - reading.counterUs < kept.referenceUs - kept.counterUs) {
      best.set(minute, reading);
    }
  }
  return [...best.keys()].sort((a, b) => a - b).flatMap((minute) => best.get(minute) ?? []);
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
 * True when the counter began anew after `before`. Readings out of order, or a step of the capturing clock
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
