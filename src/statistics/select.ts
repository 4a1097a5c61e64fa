/** Which value stands at a place in order, without putting all in order? */

/**
 * The value at a place (from 0) of values of any order; it moves them about: those before the place are no larger then,
 * those behind it no smaller. Between `left` and `right`, places included. Floyd and Rivest, Communications of the ACM
 * 18 (1975) 173 (algorithm 489).
 */
export function selectAt(
  values: Float64Array,
  place: number,
  left = 0,
  right: number = values.length - 1,
): number {
  let from = left;
  let to = right;
  while (to > from) {
    if (to - from > 600) {
      const n = to - from + 1;
      const i = place - from + 1;
      const z = Math.log(n);
      const s = 0.5 * Math.exp((2 * z) / 3);
      const sd = 0.5 * Math.sqrt((z * s * (n - s)) / n) * (i < n / 2 ? -1 : 1);
      const first = Math.max(from, Math.floor(place - (i * s) / n + sd));
      const last = Math.min(to, Math.floor(place + ((n - i) * s) / n + sd));
      selectAt(values, place, first, last);
    }
    const middle = values[place] ?? 0;
    let i = from;
    let j = to;
    swap(values, from, place);
    if ((values[to] ?? 0) > middle) swap(values, from, to);
    while (i < j) {
      swap(values, i, j);
      i += 1;
      j -= 1;
      while ((values[i] ?? 0) < middle) i += 1;
      while ((values[j] ?? 0) > middle) j -= 1;
    }
    if (values[from] === middle) swap(values, from, j);
    else {
      j += 1;
      swap(values, j, to);
    }
    if (j <= place) from = j + 1;
    if (place <= j) to = j - 1;
  }
  return values[place] ?? 0;
}

function swap(values: Float64Array, i: number, j: number): void {
  const one = values[i] ?? 0;
  values[i] = values[j] ?? 0;
  values[j] = one;
}

/** Median of values of any order; it moves them about. 0 for none. */
export function medianInPlace(values: Float64Array): number {
  const half = values.length >> 1;
  const upper = selectAt(values, half);
  if (values.length % 2 === 1) return upper;
  let lower = Number.NEGATIVE_INFINITY;
  for (let i = 0; i < half; i += 1) lower = Math.max(lower, values[i] ?? 0);
  return half === 0 ? upper : (lower + upper) / 2;
}
