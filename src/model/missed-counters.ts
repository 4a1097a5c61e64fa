/**
 * When were missed counters due, and could anybody have heard them? Counters between two heard frames are spread evenly
 * over the time between them: a node sends in a rhythm.
 */
import type { TimeRange } from "./time-range.ts";

/** A run of missed counters between two heard frames. */
export interface MissedRun extends TimeRange {
  readonly missed: number;
}

/** A node in a rhythm keeps to it within a tenth, and its path within 2 s. Chosen. */
const RHYTHM_SLACK = { share: 0.1, us: 2_000_000 } as const;

/** When the missed counters were due, in order. */
export function* dueTimes({ fromUs, toUs, missed }: MissedRun): Generator<number> {
  const stepUs = (toUs - fromUs) / (missed + 1);
  for (let i = 1; i <= missed; i++) yield fromUs + i * stepUs;
}

/** A frame as it was heard, with its counter. */
interface CounterHeard {
  readonly counter: number;
  readonly atUs: number;
}

/** When the counters between two heard ones were due; none where they are too many or some of the time is not usable. */
export function dueBetween(
  before: CounterHeard,
  after: CounterHeard,
  usable: readonly TimeRange[],
  maxMissed = Number.POSITIVE_INFINITY,
): Iterable<number> {
  const run = { fromUs: before.atUs, toUs: after.atUs, missed: after.counter - before.counter - 1 };
  const isWhole = usable.some(({ fromUs, toUs }) => fromUs <= run.fromUs && run.toUs < toUs);
  const isRun = run.missed >= 1 && run.missed <= maxMissed && run.fromUs < run.toUs;
  return isRun && isWhole ? dueTimes(run) : [];
}

/**
 * Returns the ranges in which a counter that was due may have been sent while nothing was recorded: a node in a rhythm
 * sends when it is due, any other up to an interval earlier or later.
 */
export function widened(
  notRecorded: readonly TimeRange[],
  { fromUs, toUs, missed }: MissedRun,
  isPeriodic: boolean,
): TimeRange[] {
  const stepUs = (toUs - fromUs) / (missed + 1);
  const slackUs = isPeriodic ? RHYTHM_SLACK.share * stepUs + RHYTHM_SLACK.us : stepUs;
  return notRecorded
    .filter((range) => range.fromUs < toUs && range.toUs > fromUs)
    .map((range) => ({ fromUs: range.fromUs - slackUs, toUs: range.toUs + slackUs + 1 }));
}

/** Returns how many of the missed counters may have been sent while nothing was recorded. */
export function lostToNobody(run: MissedRun, notRecorded: readonly TimeRange[], isPeriodic: boolean): number {
  const ranges = widened(notRecorded, run, isPeriodic);
  if (ranges.length === 0) return 0;
  let lost = 0;
  for (const atUs of dueTimes(run))
    if (ranges.some(({ fromUs, toUs }) => atUs >= fromUs && atUs < toUs)) lost += 1;
  return lost;
}
