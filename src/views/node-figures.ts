/**
 * What follows from the frames of one counter life in a window? Loss, its dates, rhythm, levels: the definitions of
 * "heard", "expected" and "missed" live here and nowhere else.
 */

import type { Spread, Strip } from "../contract/index.ts";
import { countInterval, type IntervalCounts, longestUsualUs, rhythmOf } from "../ledger/gaps/intervals.ts";
import { dueTimes, widened } from "../model/missed-counters.ts";
import { contains, type TimeRange } from "../model/time-range.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { wilsonInterval } from "../statistics/proportions.ts";
import { quantile } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { HeardFrame } from "../store/queries/frames.ts";

/** A run of counters that nobody heard. */
export interface Gap {
  readonly firstCounter: number;
  readonly missed: number;
  readonly missedDuringOutage: number;
  readonly missedNotRecorded: number;
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
  /** Of the missed, those dated into a time when no gateway was reachable. */
  readonly missedDuringOutage: number;
  /** Of the missed, those that may have been sent while nothing was recorded. */
  readonly missedNotRecorded: number;
  readonly deliveryRatio: number | null;
  readonly deliveryInterval95: [number, number] | null;
  readonly gaps: readonly Gap[];
  readonly rhythmUs: number | null;
  /** The longest interval that it kept at least three times in this window; null: none. */
  readonly slowestUs: number | null;
  /** It sends in a rhythm, as far as this window shows. */
  readonly isPeriodic: boolean;
}

/** Time in which a missed counter says nothing of the air. */
export interface Unheard {
  /** No gateway was reachable. */
  readonly outages: readonly TimeRange[];
  /** Nothing was recorded. */
  readonly notRecorded: readonly TimeRange[];
}

/** What became of a missed counter, as far as its due time tells. */
export type Fate = "missed" | "missed-during-outage" | "not-recorded";

/** Counters first heard in the window, in order of counter. Frames come in order of time. */
export function firstHearings(
  frames: readonly HeardFrame[],
): Pick<HeardFrame, "counter" | "atUs" | "id" | "dataRate">[] {
  const seen = new Map<number, HeardFrame>();
  for (const frame of frames) if (!seen.has(frame.counter)) seen.set(frame.counter, frame);
  return [...seen.values()].sort((a, b) => a.counter - b.counter);
}

/**
 * Loss by counters. Missed counters are dated by spreading them evenly over their gap: a node sends in a rhythm.
 * With fewer than two expected counters a ratio says nothing and is null.
 */
export function lossOf(frames: readonly HeardFrame[], unheard: Unheard): Loss {
  const hearings = firstHearings(frames);
  const stepsUs: number[] = [];
  for (let i = 1; i < hearings.length; i++) {
    const before = hearings[i - 1];
    const after = hearings[i];
    if (before === undefined || after === undefined) continue;
    stepsUs.push(Math.max(0, after.atUs - before.atUs) / (after.counter - before.counter));
  }
  const isPeriodic = rhythmOf(stepsUs)?.isPeriodic ?? false;
  const gaps: Gap[] = [];
  for (let i = 1; i < hearings.length; i++) {
    const before = hearings[i - 1];
    const after = hearings[i];
    if (before !== undefined && after !== undefined && after.counter - before.counter > 1)
      gaps.push(gapBetween(before, after, unheard, isPeriodic));
  }
  const first = hearings[0];
  const last = hearings.at(-1);
  const heard = hearings.length;
  const expected = first === undefined || last === undefined ? 0 : last.counter - first.counter + 1;
  const missedNotRecorded = gaps.reduce((sum, gap) => sum + gap.missedNotRecorded, 0);
  // What nobody could record is no failed delivery.
  const judged = expected - missedNotRecorded;
  const interval = judged < 2 ? null : wilsonInterval(heard, judged);
  return {
    heard,
    expected,
    missed: expected - heard,
    missedDuringOutage: gaps.reduce((sum, gap) => sum + gap.missedDuringOutage, 0),
    missedNotRecorded,
    deliveryRatio: interval === null ? null : interval.ratio,
    deliveryInterval95: interval === null ? null : [interval.low, interval.high],
    gaps,
    rhythmUs: stepsUs.length === 0 ? null : quantile(stepsUs, 0.5),
    slowestUs: slowestOf(stepsUs),
    isPeriodic,
  };
}

function slowestOf(stepsUs: readonly number[]): number | null {
  const counts: IntervalCounts = {};
  for (const step of stepsUs) countInterval(counts, step);
  const longest = longestUsualUs(counts);
  return longest === 0 ? null : longest;
}

function gapBetween(
  before: { counter: number; atUs: number },
  after: { counter: number; atUs: number },
  unheard: Unheard,
  isPeriodic: boolean,
): Gap {
  const gap = {
    firstCounter: before.counter + 1,
    missed: after.counter - before.counter - 1,
    fromUs: before.atUs,
    toUs: after.atUs,
  };
  // Only gaps that touch such a time need their counters dated one by one.
  const touches = [...unheard.outages, ...unheard.notRecorded].some(
    ({ fromUs, toUs }) => fromUs < gap.toUs && toUs > gap.fromUs,
  );
  let missedDuringOutage = 0;
  let missedNotRecorded = 0;
  if (touches) {
    for (const { fate } of missedCounters(gap, unheard, isPeriodic)) {
      if (fate === "missed-during-outage") missedDuringOutage += 1;
      else if (fate === "not-recorded") missedNotRecorded += 1;
    }
  }
  return { ...gap, missedDuringOutage, missedNotRecorded };
}

/** A missed counter: when it was due, and what became of it. */
export interface MissedCounter {
  readonly counter: number;
  readonly atUs: number;
  readonly fate: Fate;
}

/** The missed counters of a gap, in order. */
export function* missedCounters(
  gap: Pick<Gap, "firstCounter" | "missed" | "fromUs" | "toUs">,
  { outages, notRecorded }: Unheard,
  isPeriodic: boolean,
): Generator<MissedCounter> {
  const nobody = widened(notRecorded, gap, isPeriodic);
  let counter = gap.firstCounter;
  for (const atUs of dueTimes(gap)) {
    const fate = nobody.some((range) => contains([range], atUs))
      ? "not-recorded"
      : contains(outages, atUs)
        ? "missed-during-outage"
        : "missed";
    yield { counter, atUs, fate };
    counter += 1;
  }
}

/** The window in equal bins, counters heard and missed in each. */
export function stripOf(
  frames: readonly HeardFrame[],
  { gaps, isPeriodic }: Pick<Loss, "gaps" | "isPeriodic">,
  unheard: Unheard,
  window: TimeRange,
  bins: number,
): Strip {
  const binUs = (window.toUs - window.fromUs) / bins;
  const zeros = () => Array<number>(bins).fill(0);
  const heard = zeros();
  const missed = zeros();
  const missedDuringOutage = zeros();
  const missedNotRecorded = zeros();
  const into: Readonly<Record<Fate, number[]>> = {
    missed,
    "missed-during-outage": missedDuringOutage,
    "not-recorded": missedNotRecorded,
  };
  const put = (counts: number[], atUs: number) => {
    const bin = Math.min(bins - 1, Math.max(0, Math.floor((atUs - window.fromUs) / binUs)));
    counts[bin] = (counts[bin] ?? 0) + 1;
  };
  for (const { atUs } of firstHearings(frames)) put(heard, atUs);
  for (const gap of gaps)
    for (const { fate, atUs } of missedCounters(gap, unheard, isPeriodic)) put(into[fate], atUs);
  return { binSeconds: binUs / 1e6, heard, missed, missedDuringOutage, missedNotRecorded };
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
  const margin = linkMarginDb(snrTenths / 10, spreadingFactor);
  return margin === null ? null : Math.round(margin * 10) / 10;
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
