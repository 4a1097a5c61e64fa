/**
 * Where does a signal lie in time, and how is it said in a table? Works on columns as the contract sends them:
 * no object a point, so that 100,000 points stay cheap.
 */
import type { SignalSeries } from "../../../src/contract/nodes.ts";
import { gatewayTitle } from "../format.ts";

/** First index whose time is not before `ms`; times ascend. */
export function indexAt(atMs: readonly number[], ms: number): number {
  let low = 0;
  let high = atMs.length;
  while (low < high) {
    const middle = (low + high) >>> 1;
    if ((atMs[middle] ?? 0) < ms) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Index of the point nearest in time that has a value, within `reachMs`; null when there is none. */
export function nearestPoint(
  atMs: readonly number[],
  values: readonly (number | null)[],
  ms: number,
  reachMs: number,
): number | null {
  const start = indexAt(atMs, ms);
  let before = start - 1;
  let after = start;
  while (before >= 0 || after < atMs.length) {
    const left = before >= 0 ? ms - (atMs[before] ?? 0) : Number.POSITIVE_INFINITY;
    const right = after < atMs.length ? (atMs[after] ?? 0) - ms : Number.POSITIVE_INFINITY;
    const nearer = left <= right ? before : after;
    if (Math.min(left, right) > reachMs) return null;
    if (values[nearer] != null) return nearer;
    if (left <= right) before -= 1;
    else after += 1;
  }
  return null;
}

/** Smallest and largest value over several columns; null when none has any. */
export function extent(columns: readonly (readonly (number | null)[])[]): [number, number] | null {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (const column of columns)
    for (const value of column) {
      if (value === null) continue;
      if (value < low) low = value;
      if (value > high) high = value;
    }
  return low <= high ? [low, high] : null;
}

export interface SignalFacts {
  readonly snrDb: [number, number] | null;
  readonly rssiDbm: [number, number] | null;
  readonly spreadingFactors: ReadonlySet<number>;
}

const known = new WeakMap<readonly SignalSeries[], SignalFacts>();

/** Extents and spreading factors of all series, looked up once: a redraw does not go through every point for them. */
export function factsOf(series: readonly SignalSeries[]): SignalFacts {
  let facts = known.get(series);
  if (facts === undefined) {
    const spreadingFactors = new Set<number>();
    for (const one of series)
      for (const factor of one.spreadingFactor) if (factor !== null) spreadingFactors.add(factor);
    facts = {
      snrDb: extent(series.map((one) => one.snrDb)),
      rssiDbm: extent(series.map((one) => one.rssiDbm)),
      spreadingFactors,
    };
    known.set(series, facts);
  }
  return facts;
}

export interface SignalBin {
  readonly fromMs: number;
  readonly gateway: string;
  readonly count: number;
  readonly rssiDbm: number | null;
  readonly snrDb: number | null;
  readonly marginDb: number | null;
}

/** Medians in up to `bins` equal stretches of the window, newest first: what the table shows in place of the drawing. */
export function binSignal(
  series: readonly SignalSeries[],
  fromMs: number,
  toMs: number,
  bins: number,
): SignalBin[] {
  const rows: SignalBin[] = [];
  const width = (toMs - fromMs) / bins;
  for (let bin = bins - 1; bin >= 0; bin -= 1)
    for (const one of series) {
      const first = indexAt(one.atMs, fromMs + bin * width);
      const end = indexAt(one.atMs, fromMs + (bin + 1) * width);
      if (first === end) continue;
      rows.push({
        fromMs: fromMs + bin * width,
        gateway: gatewayTitle(one),
        count: one.receptions.slice(first, end).reduce((sum, count) => sum + count, 0),
        rssiDbm: median(one.rssiDbm.slice(first, end)),
        snrDb: median(one.snrDb.slice(first, end)),
        marginDb: median(one.marginDb.slice(first, end)),
      });
    }
  return rows;
}

function median(values: readonly (number | null)[]): number | null {
  const sorted = values.filter((value) => value !== null).sort((a, b) => a - b);
  const middle = sorted.length / 2;
  if (sorted.length === 0) return null;
  const high = sorted[Math.floor(middle)] ?? 0;
  return Number.isInteger(middle) ? ((sorted[middle - 1] ?? 0) + high) / 2 : high;
}
