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
import { intervalT } from "./distributions.ts";
import { times } from "./maximum-likelihood.ts";
import {
  ALL,
  BELIEF,
  type Curvature,
  curvatureOf,
  likelihoodOf,
  OWN,
  prepare,
  SHARED,
  type State,
  type ThresholdOptions,
  type ThresholdSeries,
} from "./threshold-likelihood.ts";

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
const MAX_STEPS = 40;
/** The search is over when a step promises less log likelihood than this. */
const SETTLED = 1e-5;

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
