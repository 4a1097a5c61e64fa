/**
 * What follows from the frames of one counter life in a window? Loss, its dates, rhythm, levels: the definitions of
 * "heard", "expected" and "missed" live here and nowhere else.
 */
import type { Strip } from "../contract/index.ts";
import { longestUsualOf, rhythmOf } from "../ledger/gaps/intervals.ts";
import { contains, dueTimes, type TimeRange, widened } from "../model/time-range.ts";
import { wilsonInterval } from "../statistics/proportions.ts";
import type { FrameSeries } from "../store/hours/frame-series.ts";
import type { HeardFrame } from "../store/queries/frames.ts";
import { quantileOfSorted } from "./node-levels.ts";

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

/** Where in a series each counter was first heard, in order of counter. */
function firstPlaces({ length, counter }: FrameSeries): Int32Array {
  const places = new Int32Array(length);
  let count = 0;
  let newest = Number.NEGATIVE_INFINITY;
  for (let i = 0; i < length; i++) {
    const one = counter[i] ?? 0;
    if (one < newest) return placesOutOfOrder(length, counter);
    if (one === newest) continue;
    newest = one;
    places[count++] = i;
  }
  return places.subarray(0, count);
}

/** The same where a counter comes after a higher one. */
function placesOutOfOrder(length: number, counter: Float64Array): Int32Array {
  const first = new Map<number, number>();
  for (let i = 0; i < length; i++) {
    const one = counter[i] ?? 0;
    if (!first.has(one)) first.set(one, i);
  }
  return Int32Array.from([...first].sort((a, b) => a[0] - b[0]).map(([, place]) => place));
}

/**
 * Loss by counters. Missed counters are dated by spreading them evenly over their gap: a node sends in a rhythm.
 * With fewer than two expected counters a ratio says nothing and is null.
 */
export function lossOf(frames: FrameSeries, unheard: Unheard): Loss {
  const { atUs, counter } = frames;
  const places = firstPlaces(frames);
  const heard = places.length;
  const stepsUs = new Float64Array(Math.max(0, heard - 1));
  for (let i = 1; i < heard; i++) {
    const before = places[i - 1] ?? 0;
    const after = places[i] ?? 0;
    const passedUs = Math.max(0, (atUs[after] ?? 0) - (atUs[before] ?? 0));
    stepsUs[i - 1] = passedUs / ((counter[after] ?? 0) - (counter[before] ?? 0));
  }
  if (stepsUs.length > 1) stepsUs.sort();
  const isPeriodic = rhythmOf(stepsUs)?.isPeriodic ?? false;
  const hearing = (place: number) => ({ counter: counter[place] ?? 0, atUs: atUs[place] ?? 0 });
  const gaps: Gap[] = [];
  for (let i = 1; i < heard; i++) {
    const before = places[i - 1] ?? 0;
    const after = places[i] ?? 0;
    if ((counter[after] ?? 0) - (counter[before] ?? 0) > 1)
      gaps.push(gapBetween(hearing(before), hearing(after), unheard, isPeriodic));
  }
  const lowest = counter[places[0] ?? 0] ?? 0;
  const highest = counter[places[heard - 1] ?? 0] ?? 0;
  const expected = heard === 0 ? 0 : highest - lowest + 1;
  const missedNotRecorded = gaps.reduce((sum, gap) => sum + gap.missedNotRecorded, 0);
  // What nobody could record is no failed delivery.
  const judged = expected - missedNotRecorded;
  const interval = judged < 2 ? null : wilsonInterval(heard, judged);
  const longestUsualUs = longestUsualOf(stepsUs);
  return {
    heard,
    expected,
    missed: expected - heard,
    missedDuringOutage: gaps.reduce((sum, gap) => sum + gap.missedDuringOutage, 0),
    missedNotRecorded,
    deliveryRatio: interval === null ? null : interval.ratio,
    deliveryInterval95: interval === null ? null : [interval.low, interval.high],
    gaps,
    rhythmUs: quantileOfSorted(stepsUs, 0.5),
    slowestUs: longestUsualUs === 0 ? null : longestUsualUs,
    isPeriodic,
  };
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
  frames: FrameSeries,
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
  for (const place of firstPlaces(frames)) put(heard, frames.atUs[place] ?? 0);
  for (const gap of gaps)
    for (const { fate, atUs } of missedCounters(gap, unheard, isPeriodic)) put(into[fate], atUs);
  return { binSeconds: binUs / 1e6, heard, missed, missedDuringOutage, missedNotRecorded };
}
