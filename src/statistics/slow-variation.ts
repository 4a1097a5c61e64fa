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
  /** Whether its daily course has been taken off: waves near a day and half a day then say nothing. Default false. */
  readonly dayTaken?: boolean;
}

/** A way in which there may be a slow part. */
export interface Way {
  /** Before these series are looked at. */
  readonly chance: number;
  /**
   * For each series, how much of its variance a slow part can make in this way, 0 to 1; absent: all. Of heard or not,
   * where a chance wanders, it is little when frames are seldom lost: what their chance does is hidden by luck.
   */
  readonly showing?: readonly number[];
}

export interface LongRun {
  /** For each series: variance of its sum over what it would be if its values were independent. */
  readonly factors: readonly number[];
  /** Degrees of freedom of the factors: how well they are known. */
  readonly degrees: number;
  /** Chance that there is a slow part at all. */
  readonly slowChance: number;
  /** For each series: power at a frequency over what it would be if its values were independent. */
  readonly spectra: readonly ((hz: number) => number)[];
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
const MAX_WAVES = 64;
const MAX_DEGREES = 1000;

/** `ways`: exclude one another; what their chances leave of 1 is that there is no slow part. */
export function longRun(
  series: readonly TimedSeries[],
  ways: readonly Way[] = [{ chance: PRESUMED_SLOW }],
): LongRun {
  const transformed = series.map((one) => ({ ...one, waves: wavesOf(one) }));
  const cells: Cell[] = [];
  for (const [memoryS, memoryChance] of MEMORIES_S) {
    const shapes = transformed.map(({ values, durationS }) => shapeOf(values.length, durationS, memoryS));
    for (const { chance, share, showing } of possibilities(ways)) {
      let logWeight = Math.log(chance * memoryChance);
      const shares = transformed.map((_, k) => share * (showing?.[k] ?? 1));
      const factors = transformed.map(({ waves, weight }, k) => {
        const own = shares[k] ?? 0;
        const shape = shapes[k];
        waves.forEach((power, j) => {
          if (power === null) return;
          const expected = 1 + own * ((shape?.waves[j] ?? 1) - 1);
          logWeight -= (weight / 2) * (Math.log(expected) + power / expected);
        });
        return 1 + own * ((shape?.sum ?? 1) - 1);
      });
      cells.push({ logWeight, isSlow: share > 0, memoryS, shares, factors });
    }
  }
  return averaged(cells, series);
}

/** How likely each possibility has become. */
export function chancesOf(cells: readonly { readonly logWeight: number }[]): number[] {
  const highest = Math.max(...cells.map(({ logWeight }) => logWeight));
  const chances = cells.map(({ logWeight }) => Math.exp(logWeight - highest));
  const total = chances.reduce((sum, chance) => sum + chance, 0);
  return chances.map((chance) => chance / total);
}

interface Possibility extends Way {
  readonly share: number;
}

function possibilities(ways: readonly Way[]): Possibility[] {
  // Never quite sure either way.
  const presumed = ways.reduce((sum, { chance }) => sum + chance, 0);
  const slow = Math.max(0.02, Math.min(0.98, presumed));
  return [
    { chance: 1 - slow, share: 0 },
    ...ways
      .filter(({ chance }) => chance > 0)
      .flatMap((way) =>
        SHARES.map(([share, chance]) => ({ ...way, share, chance: (chance * slow * way.chance) / presumed })),
      ),
  ];
}

interface Cell {
  readonly logWeight: number;
  readonly isSlow: boolean;
  readonly memoryS: number;
  /** Of each series. */
  readonly shares: readonly number[];
  readonly factors: readonly number[];
}

function averaged(cells: readonly Cell[], series: readonly TimedSeries[]): LongRun {
  const chances = chancesOf(cells);
  const over = (of: (cell: Cell) => number) =>
    cells.reduce((sum, cell, i) => sum + (chances[i] ?? 0) * of(cell), 0);
  const weights = series.reduce((sum, { weight }) => sum + weight, 0);
  const common = ({ factors }: Cell) =>
    factors.reduce((sum, factor, k) => sum + factor * (series[k]?.weight ?? 0), 0) / Math.max(1e-12, weights);
  const middle = over(common);
  const scatter = over((cell) => (common(cell) - middle) ** 2);
  return {
    slowChance: Math.min(
      0.98,
      Math.max(
        0.02,
        over(({ isSlow }) => (isSlow ? 1 : 0)),
      ),
    ),
    factors: series.map((_, k) => over(({ factors }) => factors[k] ?? 1)),
    // The t distribution whose tails are as heavy as those of a normal one with this uncertain variance: excess kurtosis
    // 6 / (degrees - 4) against 3 scatter / middle^2.
    degrees: Math.min(MAX_DEGREES, 4 + (2 * middle ** 2) / Math.max(1e-9, scatter)),
    spectra: series.map(({ values, durationS }, k) => {
      const stepS = durationS / Math.max(1, values.length - 1);
      const shares = MEMORIES_S.map(([memoryS]) => ({
        keep: Math.exp(-stepS / memoryS),
        share: over((cell) => (cell.memoryS === memoryS ? (cell.shares[k] ?? 0) : 0)),
      }));
      return (hz) =>
        shares.reduce(
          (sum, { keep, share }) => sum + share * (powerAt(keep, 2 * Math.PI * hz * stepS) - 1),
          1,
        );
    }),
  };
}

/** Spectrum of an autoregressive series of variance 1, which keeps so much from one value to the next. */
function powerAt(keep: number, angle: number): number {
  // Values of one moment have no spectrum.
  if (!(keep < 1)) return 1;
  return (1 - keep * keep) / (1 - 2 * keep * Math.cos(angle) + keep * keep);
}

const DAY_S = 86_400;
/** Cosines that follow from one another before they are worked out anew. */
const RENEWED = 256;

/** Squared cosine transforms of the series over its variance: 1 each for independent values; null where it was changed. */
export function wavesOf({
  values,
  durationS,
  dayTaken = false,
}: Pick<TimedSeries, "values" | "durationS" | "dayTaken">): (number | null)[] {
  const n = values.length;
  const variance = values.reduce((sum, value) => sum + value * value, 0) / n;
  if (n < 4 || !(variance > 0)) return [];
  const waves: (number | null)[] = [];
  // A wave of a day is the 2 T / day th of a series of length T, and spills over to its neighbours.
  const daily = (2 * durationS) / DAY_S;
  const isTaken = (wave: number) =>
    dayTaken && (Math.abs(wave - daily) < 1.5 || Math.abs(wave - 2 * daily) < 1.5);
  // A cosine wave is as high at the i-th value from the end as at the i-th from the begin, with the sign of its number.
  const half = Math.ceil(n / 2);
  const sums = new Float64Array(half);
  const differences = new Float64Array(half);
  for (let i = 0; i < half; i++) {
    const first = values[i] ?? 0;
    const last = i === n - 1 - i ? 0 : (values[n - 1 - i] ?? 0);
    sums[i] = first + last;
    differences[i] = i === n - 1 - i ? 0 : first - last;
  }
  for (let wave = 1; wave <= Math.min(MAX_WAVES, n - 1); wave++) {
    if (isTaken(wave)) {
      waves.push(null);
      continue;
    }
    const folded = wave % 2 === 0 ? sums : differences;
    const angle = (Math.PI * wave) / (2 * n);
    // cos((2 i + 3) x) = 2 cos(2 x) cos((2 i + 1) x) - cos((2 i - 1) x), begun anew before errors add up.
    const twice = 2 * Math.cos(2 * angle);
    let sum = 0;
    for (let begin = 0; begin < half; begin += RENEWED) {
      const end = Math.min(half, begin + RENEWED);
      let before = Math.cos((2 * begin - 1) * angle);
      let cosine = Math.cos((2 * begin + 1) * angle);
      for (let i = begin; i < end; i++) {
        sum += (folded[i] ?? 0) * cosine;
        const next = twice * cosine - before;
        before = cosine;
        cosine = next;
      }
    }
    waves.push((2 * sum * sum) / (n * variance));
  }
  return waves;
}

/** What an autoregressive series of variance 1 would show: its spectrum at each wave, and the variance of its sum over n. */
export function shapeOf(n: number, durationS: number, memoryS: number): { waves: number[]; sum: number } {
  // One value, or all at one moment: there is no course in time, and what hangs together does so wholly.
  if (n < 2 || !(durationS > 0)) return { waves: [], sum: Math.max(1, n) };
  const keep = Math.exp(-durationS / Math.max(1, n - 1) / memoryS);
  const waves = Array.from({ length: Math.min(MAX_WAVES, Math.max(0, n - 1)) }, (_, j) =>
    powerAt(keep, (Math.PI * (j + 1)) / n),
  );
  // Sum of (1 - |k|/n) keep^|k| over |k| < n, in closed form.
  const ends = (2 * keep * (1 - keep ** n)) / (n * (1 - keep) ** 2);
  return { waves, sum: (1 + keep) / (1 - keep) - ends };
}
