/**
 * From which level on does a receiver deliver half of what is sent, when the level of what it missed was never read?
 *
 * A trial has a level x that varies about a mean m: x = m + e, e normal with spread s. It is delivered with the chance
 * a Φ((x - t) / w): t is the threshold, w the width of its knee, and 1 - a what is lost at any level. Delivered, it
 * gives a reading r = x + η, η normal with the known spread q of the receiver's own reading; missed, it gives none.
 * The level of a missed trial is never guessed: it is integrated out, in closed form because all parts are normal.
 *
 *   delivered at r     N(r; m, S²) · a Φ((m + λ (r - m) - t) / √(w² + λ q²)),  S² = s² + q², λ = s² / S²
 *   delivered, r >= c  a Φ((m - c) / S): a reading that stands at its ceiling says "at least so much"
 *   missed             1 - a Φ((m - t) / √(s² + v + w²)),  v: more that is not known of this trial (its channel)
 *
 * So errors in the predictor (Fuller, Measurement Error Models, 1987, section 1.2) and the soft truncation from below
 * (as in censored.ts) are one likelihood. Each series has its own mean m = b0 + b1 z + o and spread s: z is what the
 * neighbours in time say, o a known shift. z need not be right: b1 measures how far it is to be followed.
 * Threshold, width and a are common to all series. Derivatives are written out; the series' own parameters are
 * eliminated block by block, so that the time grows with the trials and not with their square.
 *
 * Interval: inverse Hessian times the scores summed by cluster (Huber 1967; Liang and Zeger, Biometrika 73 (1986) 13-22),
 * by blocks of time, by blocks twice, four times … as long while enough are left, and with four series or more by
 * series. The widest counts, since trials resemble their neighbours and no series is quite normal. Student's t with the
 * effective number of clusters.
 */
import { intervalT, normalCdf } from "./distributions.ts";
import { inverseOf } from "./maximum-likelihood.ts";

export interface ThresholdTrial {
  /** The receiver's reading; null: missed. */
  readonly reading: number | null;
  /** What the trials around it say of its level; 0 where they say nothing. Any scale, the same within a series. */
  readonly around: number;
  /** Known shift of this trial's level against others of its series. */
  readonly shift: number;
  /** Variance of what is not known of this trial beyond the series' spread; of missed ones. */
  readonly extraVariance: number;
  /** Trials that resemble each other share a block; numbered in order of time within the series. */
  readonly block: number;
}

export type ThresholdSeries = readonly ThresholdTrial[];

export interface ThresholdOptions {
  /** Readings from here on say "at least so much". */
  readonly ceiling: number;
  /** Spread of the receiver's own reading about the true level. */
  readonly readingSigma: number;
  /** Where the search begins, and the middle of what is thought of the width before any data. */
  readonly start: { readonly threshold: number; readonly width: number };
}

export interface ThresholdFit {
  readonly threshold: number;
  /** 95 % interval. */
  readonly low: number;
  readonly high: number;
  readonly width: number;
  /** Share delivered far above the threshold. */
  readonly asymptote: number;
  /** Of each series in order: its own parameters. */
  readonly series: readonly SeriesLevel[];
}

export interface SeriesLevel {
  readonly base: number;
  readonly follow: number;
  readonly sigma: number;
}

/**
 * Weak beliefs that hold the search where data say little, as spreads of normals: the logarithm of the width about the
 * one given, the log odds of the asymptote about 0.97, how far the neighbours are followed, and the logarithm of a
 * series' spread about 2. Chosen: each weighs less than ten trials that say something.
 */
const BELIEF = {
  logWidth: 0.5,
  logOdds: { at: Math.log(0.97 / 0.03), spread: 1.5 },
  follow: { at: 0.5, spread: 1 },
  logSigma: { at: Math.log(2), spread: 1 },
} as const;

const SHARED = 3;
const OWN = 3;
const ALL = SHARED + OWN;
const MAX_STEPS = 40;
/** The search is over when a step promises less log likelihood than this. */
const SETTLED = 1e-5;
const DIFFERENCE = 1e-4;

interface State {
  /** Threshold, log width, log odds of the asymptote. */
  readonly shared: readonly number[];
  /** Of each series: base, follow, log sigma. */
  readonly own: readonly (readonly number[])[];
}

/** Null when there is nothing to fit, the search does not settle, or the maximum is no peak. */
export function softThreshold(
  series: readonly ThresholdSeries[],
  options: ThresholdOptions,
): ThresholdFit | null {
  if (series.length === 0) return null;
  let state = startOf(series, options);
  let value = likelihoodOf(series, options, state);
  if (!Number.isFinite(value)) return null;
  let peak: Curvature | null = null;
  for (let step = 0; step < MAX_STEPS; step++) {
    const curvature =
      curvatureOf(series, options, state, "hessian") ?? curvatureOf(series, options, state, "scores");
    if (curvature === null) return null;
    const promised = curvature.gain;
    if (curvature.kind === "hessian" && promised < SETTLED) {
      peak = curvature;
      break;
    }
    const next = improved(series, options, state, value, curvature);
    if (next === null) {
      // Where no step gains, a promise of next to nothing is the rounding of the differences.
      if (curvature.kind === "hessian" && promised < 0.01) peak = curvature;
      break;
    }
    state = next.state;
    value = next.value;
  }
  return peak === null ? null : fitOf(series, options, state, peak);
}

function startOf(series: readonly ThresholdSeries[], { start }: ThresholdOptions): State {
  return {
    shared: [start.threshold, Math.log(start.width), BELIEF.logOdds.at],
    own: series.map((trials) => {
      const read = trials.flatMap(({ reading, shift }) => (reading === null ? [] : [reading - shift]));
      const mean = read.reduce((sum, one) => sum + one, 0) / Math.max(1, read.length);
      const spread = Math.sqrt(
        read.reduce((sum, one) => sum + (one - mean) ** 2, 0) / Math.max(1, read.length),
      );
      return [mean, BELIEF.follow.at, Math.log(Math.min(6, Math.max(0.5, spread)))];
    }),
  };
}

/** Log of the normal distribution function, and its derivative; far out by the first terms of the tail's series. */
function logCdf(z: number): { readonly log: number; readonly slope: number } {
  if (z < -30) return { log: -(z * z) / 2 - Math.log(-z) - 0.9189385332046727, slope: -z - 1 / z };
  const cdf = normalCdf(z);
  return { log: Math.log(cdf), slope: (Math.exp(-(z * z) / 2) * 0.3989422804014327) / cdf };
}

/** Log likelihood of one trial; its derivatives by the six parameters into `gradient`. */
type Prepared = (trial: ThresholdTrial, gradient: Float64Array) => number;

function prepare(
  shared: readonly number[],
  own: readonly number[],
  { ceiling, readingSigma }: ThresholdOptions,
): Prepared {
  const [threshold = 0, logWidth = 0, logOdds = 0] = shared;
  const [base = 0, follow = 0, logSigma = 0] = own;
  const w2 = Math.exp(2 * logWidth);
  const s2 = Math.exp(2 * logSigma);
  const q2 = readingSigma ** 2;
  const total2 = s2 + q2;
  const total = Math.sqrt(total2);
  const lambda = s2 / total2;
  const lambdaSlope = q2 / (total2 * total2);
  const knee2 = w2 + lambda * q2;
  const knee = Math.sqrt(knee2);
  const asymptote = 1 / (1 + Math.exp(-logOdds));
  const logAsymptote = Math.log(asymptote);
  return ({ reading, around, shift, extraVariance }, gradient) => {
    const mean = base + follow * around + shift;
    let value: number;
    let byMean: number;
    if (reading === null) {
      const blur2 = s2 + extraVariance + w2;
      const blur = Math.sqrt(blur2);
      const v = (mean - threshold) / blur;
      const read = normalCdf(v);
      const missed = Math.max(1e-300, 1 - asymptote * read);
      const slope = (-asymptote * Math.exp(-(v * v) / 2) * 0.3989422804014327) / missed;
      value = Math.log(missed);
      byMean = slope / blur;
      gradient[0] = -byMean;
      gradient[1] = (-slope * v * w2) / blur2;
      gradient[2] = (-read * asymptote * (1 - asymptote)) / missed;
      gradient[5] = (-slope * v * s2) / blur2;
    } else if (reading >= ceiling) {
      const k = (mean - ceiling) / total;
      const { log, slope } = logCdf(k);
      value = logAsymptote + log;
      byMean = slope / total;
      gradient[0] = 0;
      gradient[1] = 0;
      gradient[2] = 1 - asymptote;
      gradient[5] = (-slope * k * s2) / total2;
    } else {
      const off = reading - mean;
      const u = (mean + lambda * off - threshold) / knee;
      const { log, slope } = logCdf(u);
      value = -Math.log(total) - (off * off) / (2 * total2) + logAsymptote + log;
      byMean = off / total2 + (slope * (1 - lambda)) / knee;
      gradient[0] = -slope / knee;
      gradient[1] = (-slope * u * w2) / knee2;
      gradient[2] = 1 - asymptote;
      const bySigma2 =
        -1 / (2 * total2) +
        (off * off) / (2 * total2 * total2) +
        slope * lambdaSlope * (off / knee - (u * q2) / (2 * knee2));
      gradient[5] = 2 * s2 * bySigma2;
    }
    gradient[3] = byMean;
    gradient[4] = byMean * around;
    return value;
  };
}

/** Log of the weak beliefs; `gradient` and `curvature` by parameter. */
function beliefOf(state: State, { start }: ThresholdOptions): number {
  const [, logWidth = 0, logOdds = 0] = state.shared;
  const square = (value: number, at: number, spread: number) => -(((value - at) / spread) ** 2) / 2;
  return (
    square(logWidth, Math.log(start.width), BELIEF.logWidth) +
    square(logOdds, BELIEF.logOdds.at, BELIEF.logOdds.spread) +
    state.own.reduce(
      (sum, [, follow = 0, logSigma = 0]) =>
        sum +
        square(follow, BELIEF.follow.at, BELIEF.follow.spread) +
        square(logSigma, BELIEF.logSigma.at, BELIEF.logSigma.spread),
      0,
    )
  );
}

function sharedBelief([, logWidth = 0, logOdds = 0]: readonly number[], start: { readonly width: number }) {
  return {
    slope: [
      0,
      -(logWidth - Math.log(start.width)) / BELIEF.logWidth ** 2,
      -(logOdds - BELIEF.logOdds.at) / BELIEF.logOdds.spread ** 2,
    ],
    information: [0, 1 / BELIEF.logWidth ** 2, 1 / BELIEF.logOdds.spread ** 2],
  };
}

function ownBelief([, follow = 0, logSigma = 0]: readonly number[]) {
  return {
    slope: [
      0,
      -(follow - BELIEF.follow.at) / BELIEF.follow.spread ** 2,
      -(logSigma - BELIEF.logSigma.at) / BELIEF.logSigma.spread ** 2,
    ],
    information: [0, 1 / BELIEF.follow.spread ** 2, 1 / BELIEF.logSigma.spread ** 2],
  };
}

function likelihoodOf(series: readonly ThresholdSeries[], options: ThresholdOptions, state: State): number {
  const ignored = new Float64Array(ALL);
  let sum = beliefOf(state, options);
  series.forEach((trials, j) => {
    const likelihood = prepare(state.shared, state.own[j] ?? [], options);
    for (const trial of trials) sum += likelihood(trial, ignored);
  });
  return Number.isNaN(sum) ? Number.NEGATIVE_INFINITY : sum;
}

/** Information of one series about all six parameters, with what links its own to the shared ones solved. */
interface SeriesInformation {
  /** Inverse of the information about its own parameters. */
  readonly inverse: number[][];
  /** Shared by own. */
  readonly cross: number[][];
  readonly slope: readonly number[];
}

interface Curvature {
  readonly kind: "hessian" | "scores";
  /** Inverse of the information about the shared parameters, the series' own eliminated. */
  readonly inverse: number[][];
  readonly series: readonly SeriesInformation[];
  readonly step: State;
  /** Log likelihood that the step promises. */
  readonly gain: number;
}

/** Null where the likelihood does not fall off in every direction. */
function curvatureOf(
  series: readonly ThresholdSeries[],
  options: ThresholdOptions,
  state: State,
  kind: "hessian" | "scores",
): Curvature | null {
  const belief = sharedBelief(state.shared, options.start);
  const shared = matrix(SHARED, (i, j) => (i === j ? (belief.information[i] ?? 0) : 0));
  const slope = [...belief.slope];
  const parts: SeriesInformation[] = [];
  for (const [j, trials] of series.entries()) {
    const own = state.own[j] ?? [];
    const { information, gradient } = informationOf(trials, options, state.shared, own, kind);
    const ownPart = ownBelief(own);
    const block = matrix(
      OWN,
      (a, b) => (information[SHARED + a]?.[SHARED + b] ?? 0) + (a === b ? (ownPart.information[a] ?? 0) : 0),
    );
    const inverse = positiveInverse(block);
    if (inverse === null) return null;
    const cross = Array.from({ length: SHARED }, (_, a) =>
      Array.from({ length: OWN }, (_, b) => information[a]?.[SHARED + b] ?? 0),
    );
    const ownSlope = Array.from(
      { length: OWN },
      (_, a) => (gradient[SHARED + a] ?? 0) + (ownPart.slope[a] ?? 0),
    );
    const follows = cross.map((row) => times(inverse, row));
    for (let a = 0; a < SHARED; a++) {
      const row = shared[a];
      if (row === undefined) continue;
      for (let b = 0; b < SHARED; b++)
        row[b] = (row[b] ?? 0) + (information[a]?.[b] ?? 0) - dot(follows[a] ?? [], cross[b] ?? []);
      slope[a] = (slope[a] ?? 0) + (gradient[a] ?? 0) - dot(follows[a] ?? [], ownSlope);
    }
    parts.push({ inverse, cross, slope: ownSlope });
  }
  const inverse = positiveInverse(shared);
  if (inverse === null) return null;
  const sharedStep = times(inverse, slope);
  let gain = dot(sharedStep, slope);
  const ownSteps = parts.map(({ inverse: ownInverse, cross, slope: ownSlope }) => {
    gain += dot(times(ownInverse, ownSlope), ownSlope);
    const left = ownSlope.map(
      (one, b) => one - cross.reduce((sum, row, a) => sum + (row[b] ?? 0) * (sharedStep[a] ?? 0), 0),
    );
    return times(ownInverse, left);
  });
  return { kind, inverse, series: parts, step: { shared: sharedStep, own: ownSteps }, gain: gain / 2 };
}

function informationOf(
  trials: ThresholdSeries,
  options: ThresholdOptions,
  shared: readonly number[],
  own: readonly number[],
  kind: "hessian" | "scores",
): { readonly information: number[][]; readonly gradient: Float64Array } {
  const gradient = gradientOf(trials, options, shared, own);
  if (kind === "scores") {
    const one = new Float64Array(ALL);
    const likelihood = prepare(shared, own, options);
    const information = matrix(ALL, () => 0);
    for (const trial of trials) {
      likelihood(trial, one);
      for (let a = 0; a < ALL; a++) {
        const row = information[a];
        if (row === undefined) continue;
        for (let b = 0; b < ALL; b++) row[b] = (row[b] ?? 0) + (one[a] ?? 0) * (one[b] ?? 0);
      }
    }
    return { information, gradient };
  }
  const moved = (at: number, by: number) => {
    const all = [...shared, ...own];
    all[at] = (all[at] ?? 0) + by;
    return gradientOf(trials, options, all.slice(0, SHARED), all.slice(SHARED));
  };
  const columns = Array.from({ length: ALL }, (_, b) => {
    const up = moved(b, DIFFERENCE);
    const down = moved(b, -DIFFERENCE);
    return Array.from(up, (value, a) => (value - (down[a] ?? 0)) / (2 * DIFFERENCE));
  });
  return {
    information: matrix(ALL, (a, b) => -((columns[b]?.[a] ?? 0) + (columns[a]?.[b] ?? 0)) / 2),
    gradient,
  };
}

function gradientOf(
  trials: ThresholdSeries,
  options: ThresholdOptions,
  shared: readonly number[],
  own: readonly number[],
): Float64Array {
  const likelihood = prepare(shared, own, options);
  const one = new Float64Array(ALL);
  const sum = new Float64Array(ALL);
  for (const trial of trials) {
    likelihood(trial, one);
    for (let a = 0; a < ALL; a++) sum[a] = (sum[a] ?? 0) + (one[a] ?? 0);
  }
  return sum;
}

/** The step, shortened until it gains; null: none does. */
function improved(
  series: readonly ThresholdSeries[],
  options: ThresholdOptions,
  state: State,
  value: number,
  { step }: Curvature,
): { readonly state: State; readonly value: number } | null {
  let size = 1;
  for (let halving = 0; halving < 25; halving++) {
    const moved = (from: readonly number[], by: readonly number[]) =>
      from.map((one, i) => one + Math.max(-2, Math.min(2, size * (by[i] ?? 0))));
    const next = {
      shared: moved(state.shared, step.shared),
      own: state.own.map((own, j) => moved(own, step.own[j] ?? [])),
    };
    const nextValue = likelihoodOf(series, options, next);
    if (nextValue > value) return { state: next, value: nextValue };
    size /= 2;
  }
  return null;
}

/** Series from which on they count as clusters of their own, and longer blocks that must be left. Chosen: fewer tell no spread. */
const MIN_SERIES_AS_CLUSTERS = 4;
const MIN_LONGER_BLOCKS = 12;
const DOUBLINGS = [0, 1, 2, 3, 4, 5];

function fitOf(
  series: readonly ThresholdSeries[],
  options: ThresholdOptions,
  state: State,
  { inverse, series: parts }: Curvature,
): ThresholdFit {
  const byLength: number[][] = DOUBLINGS.map(() => []);
  const whole: number[] = [];
  const one = new Float64Array(ALL);
  const [toThreshold = []] = inverse;
  for (const [j, trials] of series.entries()) {
    const part = parts[j];
    if (part === undefined) continue;
    const likelihood = prepare(state.shared, state.own[j] ?? [], options);
    // How far the score of a trial moves the threshold: directly, and by way of its series' own parameters.
    const byOwn = times(
      part.inverse,
      Array.from({ length: OWN }, (_, b) =>
        toThreshold.reduce((sum, value, a) => sum + value * (part.cross[a]?.[b] ?? 0), 0),
      ),
    );
    const sums = DOUBLINGS.map(() => new Map<number, number>());
    let sum = 0;
    for (const trial of trials) {
      likelihood(trial, one);
      let influence = 0;
      for (let a = 0; a < SHARED; a++) influence += (toThreshold[a] ?? 0) * (one[a] ?? 0);
      for (let b = 0; b < OWN; b++) influence -= (byOwn[b] ?? 0) * (one[SHARED + b] ?? 0);
      sums.forEach((blocks, doubling) => {
        const block = trial.block >> doubling;
        blocks.set(block, (blocks.get(block) ?? 0) + influence);
      });
      sum += influence;
    }
    sums.forEach((blocks, doubling) => {
      byLength[doubling]?.push(...blocks.values());
    });
    whole.push(sum);
  }
  const [threshold = 0, logWidth = 0, logOdds = 0] = state.shared;
  const model = Math.sqrt(Math.max(0, toThreshold[0] ?? 0));
  const clusters = [
    ...byLength.filter((blocks, doubling) => doubling === 0 || blocks.length >= MIN_LONGER_BLOCKS),
    ...(whole.length >= MIN_SERIES_AS_CLUSTERS ? [whole] : []),
  ].map(spreadOf);
  const half = Math.max(
    ...clusters.map(({ error, degrees }) => intervalT(0.95, degrees) * error),
    intervalT(0.95, clusters[0]?.degrees ?? 1) * model,
  );
  return {
    threshold,
    low: threshold - half,
    high: threshold + half,
    width: Math.exp(logWidth),
    asymptote: 1 / (1 + Math.exp(-logOdds)),
    series: state.own.map(([base = 0, follow = 0, logSigma = 0]) => ({
      base,
      follow,
      sigma: Math.exp(logSigma),
    })),
  };
}

/**
 * Standard error of a sum of independent influences, and the degrees of freedom of its square: Satterthwaite, Biometrics
 * Bulletin 2 (1946) 110-114, with a fourth power in place of three squared variances, as of normals.
 */
function spreadOf(influences: readonly number[]): { readonly error: number; readonly degrees: number } {
  const count = influences.length;
  const squares = influences.reduce((sum, one) => sum + one * one, 0);
  const fourths = influences.reduce((sum, one) => sum + one ** 4, 0);
  const degrees = fourths === 0 ? 1 : (3 * squares * squares) / fourths;
  const correction = count > 1 ? count / (count - 1) : 1;
  return { error: Math.sqrt(squares * correction), degrees: Math.max(1, Math.min(count - 1, degrees)) };
}

function matrix(size: number, entry: (row: number, column: number) => number): number[][] {
  return Array.from({ length: size }, (_, i) => Array.from({ length: size }, (_, j) => entry(i, j)));
}

function times(rows: readonly (readonly number[])[], vector: readonly number[]): number[] {
  return rows.map((row) => dot(row, vector));
}

function dot(a: readonly number[], b: readonly number[]): number {
  return a.reduce((sum, one, i) => sum + one * (b[i] ?? 0), 0);
}

/** Null unless the symmetric matrix is positive definite (by the leading minors' pivots). */
function positiveInverse(rows: number[][]): number[][] | null {
  const work = rows.map((row) => [...row]);
  for (let k = 0; k < work.length; k++) {
    const pivotRow = work[k];
    const pivot = pivotRow?.[k] ?? 0;
    if (pivotRow === undefined || !(pivot > 1e-9)) return null;
    for (let i = k + 1; i < work.length; i++) {
      const row = work[i];
      if (row === undefined) continue;
      const factor = (row[k] ?? 0) / pivot;
      work[i] = row.map((one, j) => one - factor * (pivotRow[j] ?? 0));
    }
  }
  return inverseOf(rows);
}
