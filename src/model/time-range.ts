/**
 * Ranges of time and what is done with them: common part, rest, union, length. Half open: `fromUs` belongs to a range,
 * `toUs` does not. Lists are in order of time and without overlaps, and so are the results.
 */

/** Microseconds since 1970. */
export interface TimeRange {
  readonly fromUs: number;
  readonly toUs: number;
}

/** Returns the parts that lie in both lists. */
export function intersect(a: readonly TimeRange[], b: readonly TimeRange[]): TimeRange[] {
  const both: TimeRange[] = [];
  let i = 0;
  let j = 0;
  for (;;) {
    const one = a[i];
    const other = b[j];
    if (one === undefined || other === undefined) return both;
    const fromUs = Math.max(one.fromUs, other.fromUs);
    const toUs = Math.min(one.toUs, other.toUs);
    if (fromUs < toUs) both.push({ fromUs, toUs });
    if (one.toUs < other.toUs) i += 1;
    else j += 1;
  }
}

/** Returns the parts of `all` that lie in none of `without`. */
export function subtract(all: readonly TimeRange[], without: readonly TimeRange[]): TimeRange[] {
  const rest: TimeRange[] = [];
  let j = 0;
  for (const { fromUs, toUs } of all) {
    let atUs = fromUs;
    while (j > 0 && (without[j - 1]?.toUs ?? 0) > fromUs) j -= 1;
    for (; j < without.length; j++) {
      const cut = without[j];
      if (cut === undefined || cut.fromUs >= toUs) break;
      if (cut.fromUs > atUs) rest.push({ fromUs: atUs, toUs: cut.fromUs });
      atUs = Math.max(atUs, cut.toUs);
    }
    if (atUs < toUs) rest.push({ fromUs: atUs, toUs });
  }
  return rest;
}

/** Returns the ranges of any order joined into an ordered list; those at most `nearUs` apart become one. */
export function unite(ranges: readonly TimeRange[], nearUs = 0): TimeRange[] {
  const sorted = ranges.filter(({ fromUs, toUs }) => fromUs < toUs).sort((a, b) => a.fromUs - b.fromUs);
  const united: { fromUs: number; toUs: number }[] = [];
  for (const { fromUs, toUs } of sorted) {
    const last = united.at(-1);
    if (last !== undefined && fromUs - last.toUs <= nearUs) last.toUs = Math.max(last.toUs, toUs);
    else united.push({ fromUs, toUs });
  }
  return united;
}

/** Whether a moment lies in one of the ranges. */
export function contains(ranges: readonly TimeRange[], atUs: number): boolean {
  let low = 0;
  let high = ranges.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((ranges[middle]?.toUs ?? 0) <= atUs) low = middle + 1;
    else high = middle;
  }
  const found = ranges[low];
  return found !== undefined && found.fromUs <= atUs;
}

/** Sum of the lengths, microseconds. */
export function totalUs(ranges: readonly TimeRange[]): number {
  let sum = 0;
  for (const { fromUs, toUs } of ranges) sum += toUs - fromUs;
  return sum;
}

export const MINUTE_US = 60_000_000;

/** The whole minute, counted from 1970, in which a moment lies: the key of every roll-up. */
export function minuteOf(atUs: number): number {
  return Math.floor(atUs / MINUTE_US);
}

/** ISO 8601 in UTC with milliseconds, the form of every interface. */
export function isoTime(atUs: number): string {
  return new Date(atUs / 1000).toISOString();
}

/** Returns the minutes of a cell, those of more than an hour widened to whole hours: hours are gathered, minutes are not. */
export function wholeHours(minutes: number): number {
  return minutes <= 60 ? minutes : Math.ceil(minutes / 60) * 60;
}

/** The time that two stretches share. */
export function overlapUs(a: TimeRange, b: TimeRange): number {
  return Math.max(0, Math.min(a.toUs, b.toUs) - Math.max(a.fromUs, b.fromUs));
}

export function isIn({ fromUs, toUs }: TimeRange, atUs: number): boolean {
  return atUs >= fromUs && atUs < toUs;
}

export function lengthUs({ fromUs, toUs }: TimeRange): number {
  return Math.max(0, toUs - fromUs);
}

export function within<T extends { readonly atUs: number }>(
  items: readonly T[],
  stretches: readonly TimeRange[],
): T[] {
  return items.filter(({ atUs }) => contains(stretches, atUs));
}

// When were missed counters due?

/** A run of missed counters between two heard frames. */
interface MissedRun extends TimeRange {
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
