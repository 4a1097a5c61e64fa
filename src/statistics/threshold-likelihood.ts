/** How likely are the trials of a soft threshold, and how does that curve? What soft-threshold.ts maximises. */
import { logCdf, normalCdf } from "./distributions.ts";
import { dot, matrix, positiveInverse, times } from "./maximum-likelihood.ts";

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

/**
 * Weak beliefs that hold the search where data say little, as spreads of normals: the logarithm of the width about the
 * one given, the log odds of the asymptote about 0.97, how far the neighbours are followed, and the logarithm of a
 * series' spread about 2. Chosen: each weighs less than ten trials that say something.
 */
export const BELIEF = {
  logWidth: 0.5,
  logOdds: { at: Math.log(0.97 / 0.03), spread: 1.5 },
  follow: { at: 0.5, spread: 1 },
  logSigma: { at: Math.log(2), spread: 1 },
} as const;

export const SHARED = 3;
export const OWN = 3;
export const ALL = SHARED + OWN;
const DIFFERENCE = 1e-4;

export interface State {
  /** Threshold, log width, log odds of the asymptote. */
  readonly shared: readonly number[];
  /** Of each series: base, follow, log sigma. */
  readonly own: readonly (readonly number[])[];
}

/** Log likelihood of one trial; its derivatives by the six parameters into `gradient`. */
type Prepared = (trial: ThresholdTrial, gradient: Float64Array) => number;

export function prepare(
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

export function likelihoodOf(
  series: readonly ThresholdSeries[],
  options: ThresholdOptions,
  state: State,
): number {
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

export interface Curvature {
  readonly kind: "hessian" | "scores";
  /** Inverse of the information about the shared parameters, the series' own eliminated. */
  readonly inverse: number[][];
  readonly series: readonly SeriesInformation[];
  readonly step: State;
  /** Log likelihood that the step promises. */
  readonly gain: number;
}

/** Null where the likelihood does not fall off in every direction. */
export function curvatureOf(
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
