/**
 * Which rank has each value? Ties share their mean rank.
 */

export interface Ranking {
  /** Rank of each value in the given order, from 1. */
  readonly ranks: readonly number[];
  /** Sizes of groups of equal values, those of two or more. */
  readonly tieSizes: readonly number[];
}

/** Ranks with ties averaged (midranks). */
export function rankWithTies(values: readonly number[]): Ranking {
  const order = values.map((value, index) => ({ value, index })).sort((a, b) => a.value - b.value);
  const ranks = new Array<number>(values.length).fill(0);
  const tieSizes: number[] = [];
  for (let from = 0; from < order.length; ) {
    let to = from + 1;
    while (to < order.length && order[to]?.value === order[from]?.value) {
      to += 1;
    }
    for (let k = from; k < to; k += 1) {
      const entry = order[k];
      if (entry !== undefined) {
        ranks[entry.index] = (from + 1 + to) / 2;
      }
    }
    if (to - from > 1) {
      tieSizes.push(to - from);
    }
    from = to;
  }
  return { ranks, tieSizes };
}

/** Sizes of groups of equal values, those of two or more. */
export function tieSizesOf(values: readonly number[]): number[] {
  const counts = new Map<number, number>();
  for (const value of values) {
    counts.set(value, (counts.get(value) ?? 0) + 1);
  }
  return [...counts.values()].filter((size) => size > 1);
}
