/**
 * For what share of a window was a channel busy? The union of busy intervals; their sum is another figure.
 */

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
