/**
 * How much of an hour does one transmitter occupy in one sub-band, and what may it?
 * What is heard is a lower bound: repeats and frames that nobody heard are missing.
 */

/** Observation period. ETSI EN 300 220: one hour (LoRaMac-node, DUTY_CYCLE_TIME_PERIOD 3600000 ms). */
export const DUTY_CYCLE_PERIOD_US = 3_600_000_000;

/** Silence after a frame that keeps a duty cycle, microseconds: airtime x (1/d - 1). LoRaWAN 1.0.x, duty cycle (from memory). */
export function offTimeUs(airtimeUs: number, dutyCycle: number): number {
  return airtimeUs * (1 / dutyCycle - 1);
}

/** Airtime allowed in an hour, microseconds: 36 s at 1 %. */
export function hourlyBudgetUs(dutyCycle: number): number {
  return DUTY_CYCLE_PERIOD_US * dutyCycle;
}

/** Whole frames of one length that fit into an hour's budget. */
export function framesPerHour(airtimeUs: number, dutyCycle: number): number {
  // A budget of exactly n frames must give n although 0.01 has no exact binary form.
  return Math.floor(hourlyBudgetUs(dutyCycle) / airtimeUs + 1e-9);
}

export interface Transmission {
  readonly startUs: number;
  readonly airtimeUs: number;
}

export interface PeakHour {
  /** Most airtime that any window of one hour holds, microseconds, clipped to the window. */
  readonly airtimeUs: number;
  /** End of such a window. */
  readonly untilUs: number;
}

/**
 * The fullest sliding hour of one transmitter in one sub-band; null without transmissions.
 * Exact: the airtime within a sliding window changes its slope only where a frame begins or ends, so only
 * windows that end with a frame or begin with one can be the fullest.
 */
export function peakHour(
  transmissions: readonly Transmission[],
  periodUs = DUTY_CYCLE_PERIOD_US,
): PeakHour | null {
  const first = transmissions[0];
  if (first === undefined) {
    return null;
  }
  const whole = withinOnePeriod(transmissions, periodUs);
  if (whole !== null) {
    return whole;
  }
  // Times relative to the first frame keep sums of microseconds since 1970 within exact integers.
  const base = first.startUs;
  const starts = transmissions.map((t) => t.startUs - base).sort((a, b) => a - b);
  const ends = transmissions.map((t) => t.startUs - base + t.airtimeUs).sort((a, b) => a - b);
  const before = airtimeBefore(starts, ends);
  let best: PeakHour = { airtimeUs: -1, untilUs: base };
  const consider = (until: number): void => {
    const airtimeUs = before(until) - before(until - periodUs);
    if (airtimeUs > best.airtimeUs) {
      best = { airtimeUs, untilUs: base + until };
    }
  };
  for (const end of ends) {
    consider(end);
  }
  for (const start of starts) {
    consider(start + periodUs);
  }
  return best;
}

/** All of it, when all of it fits into one window: the common case, and a cheap one. */
function withinOnePeriod(transmissions: readonly Transmission[], periodUs: number): PeakHour | null {
  let fromUs = Number.POSITIVE_INFINITY;
  let untilUs = Number.NEGATIVE_INFINITY;
  let airtimeUs = 0;
  for (const one of transmissions) {
    fromUs = Math.min(fromUs, one.startUs);
    untilUs = Math.max(untilUs, one.startUs + one.airtimeUs);
    airtimeUs += one.airtimeUs;
  }
  return untilUs - fromUs <= periodUs ? { airtimeUs, untilUs } : null;
}

/** Airtime spent before a moment, as a function of the moment: two sorted lists and their running sums. */
function airtimeBefore(starts: readonly number[], ends: readonly number[]): (at: number) => number {
  const startSums = runningSums(starts);
  const endSums = runningSums(ends);
  return (at) => {
    const begun = lowerBound(starts, at);
    const ended = lowerBound(ends, at);
    return begun * at - (startSums[begun] ?? 0) - (ended * at - (endSums[ended] ?? 0));
  };
}

function runningSums(values: readonly number[]): number[] {
  const sums = [0];
  let total = 0;
  for (const value of values) {
    total += value;
    sums.push(total);
  }
  return sums;
}

export interface DutyCycleEstimate {
  /** Heard airtime over the hour: the node used at least this. */
  readonly atLeast: number;
  /** Heard airtime divided by the delivery ratio; null when that is unknown or 0. */
  readonly estimate: number | null;
}

/** Duty cycle from heard airtime within one hour (0 to 1), and corrected for frames that were not heard. */
export function dutyCycleOf(heardUs: number, deliveryRatio: number | null): DutyCycleEstimate {
  const atLeast = heardUs / DUTY_CYCLE_PERIOD_US;
  const known = deliveryRatio !== null && deliveryRatio > 0 && deliveryRatio <= 1;
  return { atLeast, estimate: known ? atLeast / deliveryRatio : null };
}

// For what share of a window was a channel busy? The union of busy intervals; their sum is another figure.

/**
 * A union of intervals that grows one interval at a time, kept as sorted disjoint intervals.
 * Any order of insertion gives the same measure; insertion in order of time costs a constant.
 */
export class IntervalUnion {
  readonly #starts: number[] = [];
  readonly #ends: number[] = [];
  #totalUs = 0;

  /** Length of the union, microseconds. */
  get totalUs(): number {
    return this.#totalUs;
  }

  /** Adds [startUs, endUs) and returns by how much the union grew, microseconds. Empty and reversed intervals add nothing. */
  add(startUs: number, endUs: number): number {
    if (!(endUs > startUs)) {
      return 0;
    }
    const starts = this.#starts;
    const ends = this.#ends;
    // The intervals that touch the new one are those from `first` (end >= start) to before `after` (start > end).
    const first = lowerBound(ends, startUs);
    let after = first;
    let covered = 0;
    let from = startUs;
    let to = endUs;
    while (after < starts.length) {
      const start = starts[after] ?? 0;
      const end = ends[after] ?? 0;
      if (start > endUs) {
        break;
      }
      covered += end - start;
      from = Math.min(from, start);
      to = Math.max(to, end);
      after += 1;
    }
    if (first === starts.length) {
      starts.push(from);
      ends.push(to);
    } else {
      starts.splice(first, after - first, from);
      ends.splice(first, after - first, to);
    }
    const growth = to - from - covered;
    this.#totalUs += growth;
    return growth;
  }
}

/** Index of the first value that is not below `at`; looks at the end first, where new frames belong. */
function lowerBound(sorted: readonly number[], at: number): number {
  const last = sorted[sorted.length - 1];
  if (last === undefined || last < at) {
    return sorted.length;
  }
  let low = 0;
  let high = sorted.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((sorted[middle] ?? 0) < at) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low;
}

// For what share of the time is a half-duplex gateway deaf to a node because it transmits itself?

/** Share beyond which deafness is worth a warning. Common practice, no source. */
export const DEAF_SHARE_WARNING = 0.02;

/**
 * Upper bound of the share of a node's frames that meet the gateway's own transmissions: each transmission spoils
 * frames that begin from one frame length before it to its end. Exact when transmissions lie further apart than that.
 * All lengths in microseconds; the result is at most 1.
 */
export function deafShare(
  transmissionAirtimesUs: Iterable<number>,
  nodeAirtimeUs: number,
  windowUs: number,
): number {
  let spoiledUs = 0;
  for (const airtimeUs of transmissionAirtimesUs) {
    spoiledUs += airtimeUs + nodeAirtimeUs;
  }
  return windowUs > 0 ? Math.min(1, spoiledUs / windowUs) : 0;
}
