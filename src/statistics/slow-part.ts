/**
 * How many frames are worth one independent frame, when values that follow one another in time resemble each other?
 *
 * A series is taken as noise plus something that changes slowly (shadowing, weather, leaves): a first-order
 * autoregressive part of unknown share and unknown memory. Both are weighed by Whittle's likelihood of the slow cosine
 * transforms of all series together (Whittle, Arkiv foer Matematik 2 (1953) 423-434), averaged over a grid: a short trial,
 * which cannot know its slow part, keeps what is presumed of it and pays for that in width. Estimates that take the slow
 * part from the data alone say too little about short trials (Lazarus, Lewis, Stock and Watson, Journal of Business and
 * Economic Statistics 36 (2018) 541-559).
 */

export interface TimedSeries {
  /** In order of time, their mean near 0. */
  readonly values: readonly number[];
  /** From the first to the last value, seconds. */
  readonly durationS: number;
  /** How much it counts in finding what all have in common, 0 to 1. */
  readonly weight: number;
}

export interface LongRun {
  /** For each series: variance of its sum over what it would be if its values were independent. */
  readonly factors: readonly number[];
  /** Degrees of freedom of the factors: how well they are known. */
  readonly degrees: number;
  /** Chance that there is a slow part at all. */
  readonly slowChance: number;
}

// Presumed before any data: chances of the slow part's share of the variance where there is one, and of its memory (the
// time in which its correlation falls to 1/e). Half an hour is what moving people, weather and leaves make of a fixed
// path. Chosen.
const SHARES: readonly (readonly [number, number])[] = [
  [0.02, 0.1],
  [0.05, 0.15],
  [0.1, 0.15],
  [0.2, 0.15],
  [0.35, 0.15],
  [0.55, 0.15],
  [0.8, 0.15],
];
/** Chance that there is a slow part at all, when nothing is known. Chosen. */
export const PRESUMED_SLOW = 0.25;
const MEMORIES_S: readonly (readonly [number, number])[] = [
  [600, 0.25],
  [1800, 0.5],
  [5400, 0.25],
];
/** Slow transforms that are looked at: those beyond are noise at any memory presumed. */
const MOST_WAVES = 64;
const MOST_DEGREES = 1000;

/** `presumedSlow`: chance of a slow part before these series are looked at. */
export function longRun(series: readonly TimedSeries[], presumedSlow = PRESUMED_SLOW): LongRun {
  const told = series.map((one) => ({ ...one, waves: wavesOf(one.values) }));
  const cells: Cell[] = [];
  // Never quite sure either way.
  const slow = Math.max(0.02, Math.min(0.98, presumedSlow));
  const shares: [number, number][] = [[0, 1 - slow]];
  for (const [share, chance] of SHARES) shares.push([share, chance * slow]);
  for (const [memoryS, memoryChance] of MEMORIES_S) {
    const shapes = told.map(({ values, durationS }) => shapeOf(values.length, durationS, memoryS));
    for (const [share, shareChance] of shares) {
      let logWeight = Math.log(shareChance * memoryChance);
      told.forEach(({ waves, weight }, k) => {
        const shape = shapes[k];
        if (shape === undefined) return;
        waves.forEach((power, j) => {
          const expected = 1 + share * ((shape.waves[j] ?? 1) - 1);
          logWeight -= (weight / 2) * (Math.log(expected) + power / expected);
        });
      });
      cells.push({ logWeight, isSlow: share > 0, factors: shapes.map(({ sum }) => 1 + share * (sum - 1)) });
    }
  }
  return averaged(cells, series);
}

interface Cell {
  readonly logWeight: number;
  readonly isSlow: boolean;
  readonly factors: readonly number[];
}

function averaged(cells: readonly Cell[], series: readonly TimedSeries[]): LongRun {
  const highest = Math.max(...cells.map(({ logWeight }) => logWeight));
  const chances = cells.map(({ logWeight }) => Math.exp(logWeight - highest));
  const total = chances.reduce((sum, chance) => sum + chance, 0);
  const over = (of: (factors: readonly number[]) => number) =>
    cells.reduce((sum, { factors }, i) => sum + ((chances[i] ?? 0) / total) * of(factors), 0);
  const weights = series.reduce((sum, { weight }) => sum + weight, 0);
  const common = (factors: readonly number[]) =>
    factors.reduce((sum, factor, k) => sum + factor * (series[k]?.weight ?? 0), 0) / Math.max(1e-12, weights);
  const middle = over(common);
  const scatter = over((factors) => (common(factors) - middle) ** 2);
  const slow = cells.reduce((sum, { isSlow }, i) => sum + (isSlow ? (chances[i] ?? 0) / total : 0), 0);
  return {
    slowChance: Math.max(0.02, slow),
    factors: series.map((_, k) => over((factors) => factors[k] ?? 1)),
    // The t distribution whose tails are as heavy as those of a normal one with this uncertain variance: excess kurtosis
    // 6 / (degrees - 4) against 3 scatter / middle^2.
    degrees: Math.min(MOST_DEGREES, 4 + (2 * middle ** 2) / Math.max(1e-9, scatter)),
  };
}

/** Squared cosine transforms of the series over its variance: 1 each for independent values. */
function wavesOf(values: readonly number[]): number[] {
  const n = values.length;
  const variance = values.reduce((sum, value) => sum + value * value, 0) / n;
  if (n < 4 || !(variance > 0)) return [];
  const waves: number[] = [];
  for (let wave = 1; wave <= Math.min(MOST_WAVES, n - 1); wave++) {
    let sum = 0;
    for (let i = 0; i < n; i++) sum += (values[i] ?? 0) * Math.cos((Math.PI * wave * (i + 0.5)) / n);
    waves.push((2 * sum * sum) / (n * variance));
  }
  return waves;
}

/** What an autoregressive series of variance 1 would show: its spectrum at each wave, and the variance of its sum over n. */
function shapeOf(n: number, durationS: number, memoryS: number): { waves: number[]; sum: number } {
  const keep = Math.exp(-durationS / Math.max(1, n - 1) / memoryS);
  const waves = Array.from({ length: Math.min(MOST_WAVES, Math.max(0, n - 1)) }, (_, j) => {
    const angle = (Math.PI * (j + 1)) / n;
    return (1 - keep * keep) / (1 - 2 * keep * Math.cos(angle) + keep * keep);
  });
  // Sum of (1 - |k|/n) keep^|k| over |k| < n, in closed form.
  const ends = (2 * keep * (1 - keep ** n)) / (n * (1 - keep) ** 2);
  return { waves, sum: (1 + keep) / (1 - keep) - ends };
}
