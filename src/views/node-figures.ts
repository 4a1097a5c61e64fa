/**
 * What follows from the frames of one counter life in a window? Loss, its dates, rhythm, levels: the definitions of
 * "heard", "expected" and "missed" live here and nowhere else.
 */
import type { Spread, Strip } from "../contract/index.ts";
import type { TimeWindow } from "../model/window.ts";
import { demodulationFloorDb } from "../radio/demodulation-floor.ts";
import { quantile } from "../statistics/robust.ts";
import { wilsonInterval } from "../statistics/wilson.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { HeardFrame } from "../store/queries/frames.ts";
import { isWithin, type Stretch } from "./reachability.ts";

/** A run of counters that nobody heard. */
export interface Gap {
  readonly firstCounter: number;
  readonly missed: number;
  readonly missedDuringOutage: number;
  /** The frames heard before and after. */
  readonly fromUs: number;
  readonly toUs: number;
}

export interface Loss {
  /** Distinct counters heard. */
  readonly heard: number;
  /** Highest − lowest counter heard + 1. */
  readonly expected: number;
  readonly missed: number;
  /** Of the missed, those dated into a time when no gateway was within reach. */
  readonly missedDuringOutage: number;
  readonly deliveryRatio: number | null;
  readonly deliveryInterval95: [number, number] | null;
  readonly gaps: readonly Gap[];
  readonly rhythmUs: number | null;
}

/** Counters first heard in the window, in order of counter. Frames come in order of time. */
export function firstHearings(
  frames: readonly HeardFrame[],
): { counter: number; atUs: number; id: number }[] {
  const seen = new Map<number, { counter: number; atUs: number; id: number }>();
  for (const { counter, atUs, id } of frames) {
    if (!seen.has(counter)) seen.set(counter, { counter, atUs, id });
  }
  return [...seen.values()].sort((a, b) => a.counter - b.counter);
}

/**
 * Loss by counters. Missed counters are dated by spreading them evenly over their gap: a node sends in a rhythm.
 * With fewer than two expected counters a ratio says nothing and is null.
 */
export function lossOf(frames: readonly HeardFrame[], outages: readonly Stretch[]): Loss {
  const hearings = firstHearings(frames);
  const gaps: Gap[] = [];
  const stepsUs: number[] = [];
  for (let i = 1; i < hearings.length; i++) {
    const before = hearings[i - 1];
    const after = hearings[i];
    if (before === undefined || after === undefined) continue;
    const steps = after.counter - before.counter;
    stepsUs.push(Math.max(0, after.atUs - before.atUs) / steps);
    if (steps > 1) gaps.push(gapBetween(before, after, outages));
  }
  const first = hearings[0];
  const last = hearings.at(-1);
  const heard = hearings.length;
  const expected = first === undefined || last === undefined ? 0 : last.counter - first.counter + 1;
  const interval = expected < 2 ? null : wilsonInterval(heard, expected);
  return {
    heard,
    expected,
    missed: expected - heard,
    missedDuringOutage: gaps.reduce((sum, gap) => sum + gap.missedDuringOutage, 0),
    deliveryRatio: interval === null ? null : interval.ratio,
    deliveryInterval95: interval === null ? null : [interval.low, interval.high],
    gaps,
    rhythmUs: stepsUs.length === 0 ? null : quantile(stepsUs, 0.5),
  };
}

function gapBetween(
  before: { counter: number; atUs: number },
  after: { counter: number; atUs: number },
  outages: readonly Stretch[],
): Gap {
  const gap = {
    firstCounter: before.counter + 1,
    missed: after.counter - before.counter - 1,
    fromUs: before.atUs,
    toUs: after.atUs,
  };
  // Only gaps that touch an outage need their counters dated one by one.
  const touches = outages.some(({ fromUs, toUs }) => fromUs < gap.toUs && toUs > gap.fromUs);
  let missedDuringOutage = 0;
  if (touches) {
    for (const atUs of missedTimes(gap)) if (isWithin(outages, atUs)) missedDuringOutage += 1;
  }
  return { ...gap, missedDuringOutage };
}

/** When the missed counters of a gap were presumably sent: evenly between the frames heard around them. */
export function* missedTimes(gap: Pick<Gap, "missed" | "fromUs" | "toUs">): Generator<number> {
  const stepUs = (gap.toUs - gap.fromUs) / (gap.missed + 1);
  for (let i = 1; i <= gap.missed; i++) yield gap.fromUs + i * stepUs;
}

/** The window in equal bins, counters heard and missed in each. */
export function stripOf(
  frames: readonly HeardFrame[],
  gaps: readonly Gap[],
  outages: readonly Stretch[],
  window: TimeWindow,
  bins: number,
): Strip {
  const binUs = (window.toUs - window.fromUs) / bins;
  const heard = Array<number>(bins).fill(0);
  const missed = Array<number>(bins).fill(0);
  const missedDuringOutage = Array<number>(bins).fill(0);
  const put = (into: number[], atUs: number) => {
    const bin = Math.min(bins - 1, Math.max(0, Math.floor((atUs - window.fromUs) / binUs)));
    into[bin] = (into[bin] ?? 0) + 1;
  };
  for (const { atUs } of firstHearings(frames)) put(heard, atUs);
  for (const gap of gaps) {
    for (const atUs of missedTimes(gap)) put(isWithin(outages, atUs) ? missedDuringOutage : missed, atUs);
  }
  return { binSeconds: binUs / 1e6, heard, missed, missedDuringOutage };
}

export interface Levels {
  readonly rssiDbm: Spread;
  readonly snrDb: Spread;
  readonly marginDb: Spread;
}

/** Levels of the best hearing of each frame, or of each hearing of one gateway. */
export function levelsOf(
  hearings: readonly Pick<HeardFrame, "dataRate" | "snrTenths" | "rssiTenths">[],
): Levels {
  const rssi: number[] = [];
  const snr: number[] = [];
  const margin: number[] = [];
  for (const { dataRate, snrTenths, rssiTenths } of hearings) {
    if (rssiTenths !== null) rssi.push(rssiTenths / 10);
    if (snrTenths === null) continue;
    snr.push(snrTenths / 10);
    const one = marginDb(snrTenths, dataRate);
    if (one !== null) margin.push(one);
  }
  return { rssiDbm: spreadOf(rssi), snrDb: spreadOf(snr), marginDb: spreadOf(margin) };
}

/** SNR over the demodulation floor of the spreading factor; null for anything but LoRa. */
export function marginDb(snrTenths: number | null, dataRate: number): number | null {
  if (snrTenths === null) return null;
  const spreadingFactor = spreadingFactorOf(dataRate);
  if (spreadingFactor === null) return null;
  const floor = demodulationFloorDb(spreadingFactor);
  return floor === null ? null : Math.round(snrTenths - floor * 10) / 10;
}

export function spreadingFactorOf(dataRate: number): number | null {
  const modulation = modulationFromCodes(dataRate, 0);
  return modulation.kind === "lora" ? modulation.spreadingFactor : null;
}

export function spreadOf(values: number[]): Spread {
  // Rounded to what was measured: tenths.
  const at = (p: number) => {
    const value = quantile(values, p);
    return value === null ? null : Math.round(value * 100) / 100;
  };
  return { median: at(0.5), p10: at(0.1), p90: at(0.9), count: values.length };
}
