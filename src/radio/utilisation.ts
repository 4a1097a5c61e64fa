/**
 * For what share of a window was a channel busy? The union of busy intervals; their sum is another figure.
 */

/** Half open: `fromUs` belongs to it, `toUs` does not. */
export interface Interval {
  readonly startUs: number;
  readonly endUs: number;
}

/** Total length of the intervals within the window, microseconds: offered load; overlaps count twice. */
export function sumUs(
  intervals: Iterable<Interval>,
  window: { readonly fromUs: number; readonly toUs: number },
): number {
  let total = 0;
  for (const { startUs, endUs } of intervals) {
    total += Math.max(0, Math.min(endUs, window.toUs) - Math.max(startUs, window.fromUs));
  }
  return total;
}

/** Length of the union of the intervals within the window, microseconds: occupancy; overlaps count once. */
export function unionUs(
  intervals: Iterable<Interval>,
  window: { readonly fromUs: number; readonly toUs: number },
): number {
  const clipped: Interval[] = [];
  for (const { startUs, endUs } of intervals) {
    clipped.push({ startUs: Math.max(startUs, window.fromUs), endUs: Math.min(endUs, window.toUs) });
  }
  // In order of time every addition costs a constant.
  clipped.sort((a, b) => a.startUs - b.startUs);
  const union = new IntervalUnion();
  for (const { startUs, endUs } of clipped) {
    union.add(startUs, endUs);
  }
  return union.totalUs;
}

/**
 * A union of intervals that grows one interval at a time, kept as sorted disjoint intervals.
 * Any order of insertion gives the same measure; insertion in order of time costs a constant.
 */
export class IntervalUnion {
  readonly #starts: number[] = [];
  readonly #ends: number[] = [];
  #totalUs = 0;

  /** Length of the union, microseconds. `forgetBefore` leaves it unchanged. */
  get totalUs(): number {
    return this.#totalUs;
  }

  /** Disjoint intervals kept: what this object costs in memory. */
  get size(): number {
    return this.#starts.length;
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

  /** Length of the union within a window, microseconds. */
  withinUs(window: { readonly fromUs: number; readonly toUs: number }): number {
    let total = 0;
    for (let i = lowerBound(this.#ends, window.fromUs); i < this.#starts.length; i += 1) {
      const start = this.#starts[i] ?? 0;
      if (start >= window.toUs) {
        break;
      }
      total += Math.max(0, Math.min(this.#ends[i] ?? 0, window.toUs) - Math.max(start, window.fromUs));
    }
    return total;
  }

  /**
   * Drops intervals that ended before a moment, to bound memory on a long run. Only for moments so old that nothing
   * earlier will be added any more: a later addition there would count again.
   */
  forgetBefore(atUs: number): void {
    const count = lowerBound(this.#ends, atUs);
    this.#starts.splice(0, count);
    this.#ends.splice(0, count);
  }

  /** The disjoint intervals in order of time. */
  intervals(): Interval[] {
    return this.#starts.map((startUs, i) => ({ startUs, endUs: this.#ends[i] ?? startUs }));
  }
}

/** Index of the first value that is not below `at`; looks at the end first, where new frames belong. */
export function lowerBound(sorted: readonly number[], at: number): number {
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
