/**
 * How often does a node send, and how long may it keep silent before that means something? Judged from its newest
 * intervals of one counter step, so that losses do not look like a slower rhythm.
 */
import type { TimeRange } from "../../model/time-range.ts";

/** Newest intervals remembered. */
export const STEPS_KEPT = 64;
/** Intervals of one step with fewer than this say nothing about silence. Chosen. */
export const MIN_STEPS = 8;
/** A spread beyond this share of the median makes a node event-driven (common practice, no source). */
const EVENT_DRIVEN_SPREAD = 0.2;
/** A periodic node's silence counts from this many of its intervals. Chosen: two may be jitter and one loss. */
const PERIODIC_INTERVALS = 4;
/** An event-driven node's silence counts from this many times its longest interval. Chosen: its events may come in bursts. */
const EVENT_INTERVALS = 3;
/** and from where its own intervals let one be so long less than once in so many. Chosen. */
const EVENT_CHANCE = 1e-5;
/** A periodic node's longest interval may be exceeded by this factor. Chosen. */
const PERIODIC_SLACK = 1.5;
/** and no silence is judged below this: the path alone may hold a datagram up for seconds. Chosen. */
const MIN_SILENCE_US = 30_000_000;

/** Intervals within this ratio are one class. Chosen: 10 and 30 min are far apart, jitter is not. */
const CLASS_RATIO = 1.25;
/** An interval that was met so often is usual for this node, however long ago. Chosen: once or twice may be a fault. */
const MIN_USUAL = 3;

/** How often each class of interval was met in a life, by the number of the class. Plain data. */
export type IntervalCounts = Record<string, number>;

/** Counts one interval of one counter step. */
export function countInterval(counts: IntervalCounts, intervalUs: number): void {
  if (!(intervalUs >= 1)) return;
  const name = String(classOf(intervalUs));
  counts[name] = (counts[name] ?? 0) + 1;
}

function classOf(intervalUs: number): number {
  return Math.ceil(Math.log(intervalUs) / Math.log(CLASS_RATIO));
}

/** The upper edge of the longest class that is usual for the node, microseconds; 0 where none is yet. */
export function longestUsualUs(counts: IntervalCounts): number {
  const usual = Object.entries(counts).flatMap(([name, count]) => (count >= MIN_USUAL ? [Number(name)] : []));
  return usual.length === 0 ? 0 : CLASS_RATIO ** Math.max(...usual);
}

/** The same as longestUsualUs of all these intervals, which are in order of length: from the longest on. */
export function longestUsualOf(sortedUs: Float64Array): number {
  let found = { name: Number.NaN, count: 0 };
  for (let i = sortedUs.length - 1; i >= 0; i--) {
    const intervalUs = sortedUs[i] ?? 0;
    if (!(intervalUs >= 1)) return 0;
    const name = classOf(intervalUs);
    found = { name, count: name === found.name ? found.count + 1 : 1 };
    if (found.count >= MIN_USUAL) return CLASS_RATIO ** name;
  }
  return 0;
}

export interface Rhythm {
  /** Median interval of one counter step. */
  readonly medianUs: number;
  readonly isPeriodic: boolean;
  /** The longest interval that it showed, faults left out: a node may have several rhythms, or send on events. */
  readonly slowestUs: number;
  /** A silence longer than this is no part of the rhythm. */
  readonly silenceUs: number;
}

/**
 * null: too few intervals to say. `stepsUs` in any order; `newestUs`: the last few intervals, silences among them; `usualUs`: the
 * longest interval that is usual in the whole life.
 */
export function rhythmOf(
  stepsUs: readonly number[] | Float64Array,
  newestUs: readonly number[] = [],
  usualUs = 0,
): Rhythm | null {
  if (stepsUs.length < MIN_STEPS) return null;
  const sorted = inOrder(new Float64Array(stepsUs));
  const medianUs = middle(sorted);
  if (!(medianUs > 0)) return null;
  const isPeriodic = middleSpread(sorted, medianUs) <= EVENT_DRIVEN_SPREAD * medianUs;
  const longest = sorted.at(-1) ?? medianUs;
  const newest = newestUs.reduce((most, step) => Math.max(most, step), 0);
  let sumUs = 0;
  for (const step of stepsUs) sumUs += step;
  const silenceUs = Math.max(
    MIN_SILENCE_US,
    isPeriodic ? 0 : sumUs * (EVENT_CHANCE ** (-1 / stepsUs.length) - 1),
    PERIODIC_INTERVALS * medianUs,
    // A rhythm that was changed must not look like one silence after the other until the median has followed.
    2.5 * newest,
    (isPeriodic ? PERIODIC_SLACK : EVENT_INTERVALS) * longest,
    PERIODIC_SLACK * usualUs,
  );
  return { medianUs, isPeriodic, slowestUs: Math.max(longest, usualUs), silenceUs };
}

function inOrder(values: Float64Array): Float64Array {
  for (let i = 1; i < values.length; i++) if ((values[i] ?? 0) < (values[i - 1] ?? 0)) return values.sort();
  return values;
}

/** Median distance of sorted values from their middle: from there outwards both ways, the nearer one first. */
function middleSpread(sorted: Float64Array, medianUs: number): number {
  const n = sorted.length;
  let left = (n >> 1) - 1;
  let right = n >> 1;
  let [before, spread] = [0, 0];
  for (let taken = 0; taken <= n >> 1; taken++) {
    before = spread;
    const below = left < 0 ? Number.POSITIVE_INFINITY : medianUs - (sorted[left] ?? 0);
    const above = right >= n ? Number.POSITIVE_INFINITY : (sorted[right] ?? 0) - medianUs;
    if (below < above) left -= 1;
    else right += 1;
    spread = Math.min(below, above);
  }
  return n % 2 === 1 ? spread : (before + spread) / 2;
}

function middle(sorted: Float64Array): number {
  const at = sorted.length >> 1;
  const upper = sorted[at] ?? 0;
  return sorted.length % 2 === 1 ? upper : ((sorted[at - 1] ?? upper) + upper) / 2;
}

/** A node is overdue after this many of its intervals without a frame, and no sooner than a minute. Common practice, no source. */
const OVERDUE_INTERVALS = 5;
/** and no sooner than so many of its longest usual intervals. Chosen: one frame lost, and some jitter. */
const OVERDUE_SLOWEST = 2.5;
const MIN_OVERDUE_US = 60_000_000;

/**
 * Returns how long a node may be silent at the end of what is known before it is listed as overdue, microseconds. Looser
 * than a gap's silence, since the end is not seen yet. `slowestUs`: its longest usual interval; 0 where it is unknown.
 */
export function overdueAfterUs(rhythmUs: number, slowestUs = 0): number {
  return Math.max(MIN_OVERDUE_US, OVERDUE_INTERVALS * rhythmUs, OVERDUE_SLOWEST * slowestUs);
}

// When was a gateway unreachable? One rule for every view, finding and row: it sent nothing, in time that was recorded,
// for longer than three of its usual intervals and than 30 s.

/** Intervals without a datagram that make an outage. UDP forwarding practice: the downlink path counts as lost then. */
const OUTAGE_INTERVALS = 3;
/** and no less than this: the least time for which a downlink path is held valid. */
export const MIN_OUTAGE_US = 30_000_000;

/** Returns the longest silence that is no outage; null where the gateway's interval is not known, so nothing is judged. */
export function outageLimitUs(intervalUs: number | null): number | null {
  return intervalUs === null ? null : Math.max(MIN_OUTAGE_US, OUTAGE_INTERVALS * intervalUs);
}

/** Returns the outages within a silence: its recorded parts that are longer than the limit. */
export function outagesInSilence(recorded: readonly TimeRange[], limitUs: number | null): TimeRange[] {
  return limitUs === null ? [] : recorded.filter(({ fromUs, toUs }) => toUs - fromUs > limitUs);
}

/** A gateway that hears less of a node is no home of it. Chosen. */
const HOME_SHARE = 0.2;

/** Gateways that usually hear the node, by row id, in order: members named by numbers come in theirs. */
export function homeGateways(shares: Readonly<Record<string, number>>): number[] {
  const entries = Object.entries(shares);
  const most = entries.reduce((a, [, share]) => Math.max(a, share), 0);
  return entries.filter(([, share]) => share >= Math.min(HOME_SHARE, most)).map(([id]) => Number(id));
}

/** Weight of one frame in a gateway's share. Chosen: the newest 30 frames or so. */
export const SHARE_WEIGHT = 1 / 30;
