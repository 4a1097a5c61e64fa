/**
 * How uncertain is the mean of values that depend on their neighbours? By the sum of their autocorrelations, not by
 * the first alone: white noise over a slow wander has a small first one and a long tail.
 */
import { chancesOf, shapeOf, wavesOf } from "./slow-variation.ts";

export interface Dependence {
  /** Variance of one value. */
  readonly variance: number;
  /** 1 + 2 Σ ρ(k), at least 1: so many values are worth one independent one. */
  readonly integratedTime: number;
  readonly count: number;
}

/** The sum ends at the first lag of so many integrated times. A. Sokal, Monte Carlo Methods in Statistical Mechanics (1996), section 3 (from memory): 4 to 10. */
const WINDOW = 5;

/**
 * Of values on an even grid, null where one is missing: lags count grid steps, so gaps do not bring distant values
 * together. Null with fewer than 4 values. The mean is taken as 0: hand in residuals.
 */
export function dependenceOf(residuals: readonly (number | null)[]): Dependence | null {
  const n = residuals.length;
  let count = 0;
  let power = 0;
  for (const value of residuals) {
    if (value === null) continue;
    count += 1;
    power += value * value;
  }
  if (count < 4) return null;
  const variance = power / count;
  if (variance === 0) return { variance, integratedTime: 1, count };
  let time = 1;
  const mostLag = Math.floor(n / 3);
  for (let lag = 1; lag <= mostLag; lag += 1) {
    let sum = 0;
    let pairs = 0;
    for (let i = lag; i < n; i += 1) {
      const here = residuals[i] ?? null;
      const there = residuals[i - lag] ?? null;
      if (here === null || there === null) continue;
      sum += here * there;
      pairs += 1;
    }
    if (pairs > 0) time += (2 * sum) / pairs / variance;
    if (lag >= WINDOW * Math.max(1, time)) break;
  }
  return { variance, integratedTime: Math.max(1, time), count };
}

/** How many independent values a series in order is worth; long series by the means of up to `most` batches. */
export function effectiveCount(values: readonly number[], most = 512): number {
  const n = values.length;
  if (n < 8) return n;
  const size = Math.ceil(n / most);
  const mean = values.reduce((sum, value) => sum + value, 0) / n;
  const batches: number[] = [];
  let power = 0;
  for (let i = 0; i < n; i += size) {
    const batch = values.slice(i, i + size);
    batches.push(batch.reduce((sum, value) => sum + value, 0) / batch.length - mean);
  }
  for (const value of values) power += (value - mean) ** 2;
  const dependence = dependenceOf(batches);
  if (dependence === null || power === 0) return n;
  const ofMean = (dependence.variance * dependence.integratedTime) / batches.length;
  return Math.min(n, Math.max(1, power / n / ofMean));
}

// How many independent values is an autocorrelated series worth?

/** Correlation of each value with the next; null with fewer than 3 values or no variation. */
export function lag1Autocorrelation(values: readonly number[]): number | null {
  const n = values.length;
  if (n < 3) {
    return null;
  }
  const mean = values.reduce((sum, v) => sum + v, 0) / n;
  let around = 0;
  let along = 0;
  for (let i = 0; i < n; i += 1) {
    const here = (values[i] ?? 0) - mean;
    around += here * here;
    if (i + 1 < n) {
      along += here * ((values[i + 1] ?? 0) - mean);
    }
  }
  return around > 0 ? along / around : null;
}

/**
 * n (1 - rho)/(1 + rho) for a first-order autoregressive series; rho below 0 counts as 0, because alternating
 * series should not pass for more than they have. Never below 1 for a series that has values.
 */
export function effectiveSampleSize(n: number, rho: number | null): number {
  const positive = Math.min(1, Math.max(0, rho ?? 0));
  return n <= 0 ? 0 : Math.max(1, (n * (1 - positive)) / (1 + positive));
}

// How much would a figure vary if the same stretch of time were lived through again? By drawing whole blocks of time
// anew, so that what hangs together in time stays together.

/** Contributions to a sum, one a slot of time, in order. */
export type Slots = readonly number[];

export interface BootstrapOptions {
  /** Slots a block. */
  readonly block: number;
  readonly replicates: number;
  /** At least 0, below 1. */
  readonly random: () => number;
}

/**
 * Sums of slots drawn by circular blocks: Politis and Romano, in Exploring the Limits of Bootstrap (1992) 263-270; the
 * moving blocks of Kuensch, Annals of Statistics 17 (1989) 1217-1241, closed to a ring, so that every slot is drawn alike.
 */
export function blockSums(slots: Slots, { block, replicates, random }: BootstrapOptions): number[] {
  const n = slots.length;
  if (n === 0) return [];
  const length = Math.max(1, Math.min(n, Math.round(block)));
  // Sum of the first i slots, once around the ring and on.
  const upTo = new Float64Array(n + length + 1);
  for (let i = 0; i < n + length; i++) upTo[i + 1] = (upTo[i] ?? 0) + (slots[i % n] ?? 0);
  const blocks = Math.floor(n / length);
  const rest = n - blocks * length;
  const drawn = (size: number) => {
    const start = Math.floor(random() * n);
    return (upTo[start + size] ?? 0) - (upTo[start] ?? 0);
  };
  return Array.from({ length: replicates }, () => {
    let sum = rest > 0 ? drawn(rest) : 0;
    for (let b = 0; b < blocks; b++) sum += drawn(length);
    return sum;
  });
}

/** A source of chance that always runs the same: answers must not change when nothing was added. Marsaglia's xorshift (2003), 32 bits. */
export function repeatableChance(seed: number): () => number {
  let state = seed >>> 0 || 1;
  return () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    state >>>= 0;
    return state / 2 ** 32;
  };
}

export function standardDeviation(values: readonly number[]): number {
  const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
  const squares = values.reduce((sum, value) => sum + (value - mean) ** 2, 0);
  return Math.sqrt(squares / Math.max(1, values.length - 1));
}

// How much more does a sum over many paths vary because something moves them all at once: weather, noise at one place?
// It does not show in any one path, where it is small, nor in the scatter between them, which it leaves alone; but it does
// not average out. The sum of all over time is weighed by Whittle's likelihood as in slow-variation.ts, against what the paths'
// own slow parts let it vary.

export interface MergedSeries {
  /** Of all that may move together, in order of time. */
  readonly values: readonly number[];
  readonly durationS: number;
  readonly dayTaken?: boolean;
  /** Power at a frequency, over that of independent values, if nothing moves them together. */
  readonly expected: (hz: number) => number;
}

/** One of the ways in which the sum of all may vary more than if nothing moved all at once. */
export interface Extra {
  readonly chance: number;
  /** For each series: by how much, over its variance if the values were independent. */
  readonly extra: readonly number[];
}

/** What is presumed of something that moves all nodes at once, before any data. */
export interface PresumedCommon {
  /** That there is any. */
  readonly chance: number;
  /** Times in which its correlation falls to 1/e, alike likely, seconds. */
  readonly memoriesS: readonly number[];
}
/** Within one trial: weather, noise at one place. Chosen. */
const PRESUMED_COMMON: PresumedCommon = { chance: 0.02, memoriesS: [600, 1800, 7200, 28_800] };
/** Shares of the variance; small ones count, for what is common does not average out over nodes. Chosen, alike likely. */
const COMMON_SHARES = [0.003, 0.01, 0.03, 0.06, 0.1, 0.2, 0.35, 0.6];

/** What moves all at once, found from the sum of all over time; the chances sum to 1. */
export function commonPart(
  series: readonly MergedSeries[],
  { chance: presumed, memoriesS }: PresumedCommon = PRESUMED_COMMON,
): Extra[] {
  const periods = series.map((one) =>
    wavesOf(one).map((power, j) => ({
      power,
      own: one.expected((j + 1) / (2 * Math.max(1, one.durationS))),
    })),
  );
  const cell = (chance: number, share: number, memoryS: number) => {
    let logWeight = Math.log(chance);
    const extra = series.map(({ values, durationS }, k) => {
      const shape = shapeOf(values.length, durationS, memoryS);
      periods[k]?.forEach(({ power, own }, j) => {
        if (power === null) return;
        const expected = own + share * Math.max(0, (shape.waves[j] ?? 1) - 1);
        logWeight -= (Math.log(expected) + power / expected) / 2;
      });
      return share * Math.max(0, shape.sum - 1);
    });
    return { logWeight, extra };
  };
  const each = presumed / (COMMON_SHARES.length * memoriesS.length);
  const cells = [
    cell(1 - presumed, 0, 1800),
    ...COMMON_SHARES.flatMap((share) => memoriesS.map((memoryS) => cell(each, share, memoryS))),
  ];
  const chances = chancesOf(cells);
  return cells.map(({ extra }, i) => ({ chance: chances[i] ?? 0, extra }));
}
