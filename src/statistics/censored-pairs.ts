/**
 * Of two receivers on the same frames, how much higher does one read, although each hears only what lies above its floor?
 *
 * Where one alone heard a frame, the other's reading lay below the floor: leaving such frames out would make the weak
 * side look better than it is, for its lucky frames remain. They take part by their probability under a bivariate
 * normal distribution, censored as in censored.ts (two-limit Tobit, for two readings at once). Frames that
 * neither heard cannot be distinguished from frames lost on the way to both: the likelihood is that of frames which at least one
 * heard (a truncated sample), and needs nothing of the rest.
 */
import { KNEE_DB, Rows, slopes } from "./censored.ts";
import { bivariateNormalCdf, bivariateNormalSlopes, normalCdf, normalDensity } from "./distributions.ts";
import { type Likelihood, maximiseLikelihood, type ScoreSums, summed } from "./maximum-likelihood.ts";

export interface CensoredPair {
  /** null: not heard. At least one side heard. */
  readonly a: number | null;
  readonly b: number | null;
}

export interface CensoredPairOptions {
  readonly floor: number;
  readonly ceiling: number;
  /** Share of frames that a side loses for other reasons than the floor, 0 to below 1. */
  readonly otherLoss: number;
}

export interface PairDifference {
  /** Mean of a minus mean of b, over all frames. */
  readonly difference: number;
  /** How far each pair moves it; sums to 0. */
  readonly influence: readonly number[];
}

/** Pairs that both sides read in full; fewer leave the correlation open. Chosen. */
const MIN_EXACT_PAIRS = 8;
const TINY = 1e-300;
/** The correlation stays below 1 by this factor. */
const MAX_RHO = 0.995;

/** Null when too few pairs were read in full by both, or the likelihood has no peak. */
export function censoredPairDifference(
  pairs: readonly CensoredPair[],
  options: CensoredPairOptions,
): PairDifference | null {
  const made = pairLikelihood(pairs, options);
  const fit = made === null ? null : maximiseLikelihood(made.likelihood, made.start, pairs.length);
  if (made === null || fit === null) return null;
  const [ma = 0, mb = 0] = fit.parameters;
  return {
    difference: ma - mb,
    influence: made.rows.map(
      (row) => (fit.influence[SIZE * row] ?? 0) - (fit.influence[SIZE * row + 1] ?? 0),
    ),
  };
}

export interface MadeLikelihood {
  readonly likelihood: Required<Likelihood>;
  /** The row of each pair. */
  readonly rows: readonly number[];
  /** Parameters to begin with. */
  readonly start: readonly number[];
}

/**
 * The likelihood of some pairs by both means, the logarithms of both standard deviations, and the inverse hyperbolic
 * tangent that gives the correlation; null when too few were read in full by both.
 */
export function pairLikelihood(
  pairs: readonly CensoredPair[],
  options: CensoredPairOptions,
): MadeLikelihood | null {
  const { ceiling } = options;
  // Pairs read in full are rows of their own, whose sum follows from their moments. The others share a row with those
  // that say the same: readings come in steps.
  const exact: (readonly [number, number])[] = [];
  const halves = new Rows<Half>();
  const corners = new Rows<Corner>();
  const places = pairs.map(({ a, b }): { of: "exact" | "halves" | "corners"; at: number } => {
    const isAbove = (value: number | null) => value !== null && value >= ceiling;
    if (a !== null && !isAbove(a)) {
      if (b !== null && !isAbove(b)) return { of: "exact", at: exact.push([a, b]) - 1 };
      const half: Half = { side: "a", value: a, isMissed: b === null };
      return { of: "halves", at: halves.add(`a${a}${half.isMissed}`, half, 1) };
    }
    if (b !== null && !isAbove(b)) {
      const half: Half = { side: "b", value: b, isMissed: a === null };
      return { of: "halves", at: halves.add(`b${b}${half.isMissed}`, half, 1) };
    }
    const corner = a === null ? "b above" : b === null ? "a above" : "both above";
    return { of: "corners", at: corners.add(corner, corner, 1) };
  });
  const moments = momentsOf(exact);
  if (moments === null) return null;
  const begins = {
    exact: 0,
    halves: exact.length,
    corners: exact.length + halves.values.length,
  };
  return {
    likelihood: new PairLikelihood(exact, halves, corners, moments, options),
    rows: places.map(({ of, at }) => begins[of] + at),
    start: startOf(moments),
  };
}

/** A pair of which one side alone was read in full; the other was missed, or lay at the ceiling or beyond. */
interface Half {
  readonly side: "a" | "b";
  readonly value: number;
  readonly isMissed: boolean;
}

/** A pair of which neither side was read in full: one or both at the ceiling or beyond, the other missed. */
type Corner = "a above" | "b above" | "both above";

/** Parameters: both means, the logarithms of both standard deviations, and what gives the correlation. */
const SIZE = 5;

/** What the parameters stand for. */
interface State {
  readonly ma: number;
  readonly mb: number;
  readonly logA: number;
  readonly logB: number;
  readonly sa: number;
  readonly sb: number;
  readonly rho: number;
  /** How fast the correlation moves with its parameter. */
  readonly rhoSlope: number;
  /** 1 - rho². */
  readonly rest: number;
  readonly blurA: number;
  readonly blurB: number;
}

function stateOf([ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0]: readonly number[]): State {
  const sa = Math.exp(logA);
  const sb = Math.exp(logB);
  const tanh = Math.tanh(zRho);
  const rho = MAX_RHO * tanh;
  return {
    ma,
    mb,
    logA,
    logB,
    sa,
    sb,
    rho,
    rhoSlope: MAX_RHO * (1 - tanh * tanh),
    rest: 1 - rho * rho,
    blurA: Math.sqrt(sa * sa + KNEE_DB * KNEE_DB),
    blurB: Math.sqrt(sb * sb + KNEE_DB * KNEE_DB),
  };
}

class PairLikelihood implements Required<Likelihood> {
  readonly weights: Float64Array;
  readonly #exact: readonly (readonly [number, number])[];
  readonly #halves: Rows<Half>;
  readonly #corners: Rows<Corner>;
  readonly #moments: Moments;
  readonly #floor: number;
  readonly #ceiling: number;
  readonly #otherLoss: number;

  constructor(
    exact: readonly (readonly [number, number])[],
    halves: Rows<Half>,
    corners: Rows<Corner>,
    moments: Moments,
    { floor, ceiling, otherLoss }: CensoredPairOptions,
  ) {
    this.weights = Float64Array.from([...exact.map(() => 1), ...halves.weights, ...corners.weights]);
    this.#exact = exact;
    this.#halves = halves;
    this.#corners = corners;
    this.#moments = moments;
    this.#floor = floor;
    this.#ceiling = ceiling;
    this.#otherLoss = otherLoss;
  }

  total(parameters: readonly number[]): number {
    const state = stateOf(parameters);
    const { ma, mb, logA, logB, sa, sb, rho, rest } = state;
    const { count, meanA, meanB, varianceA, varianceB, covariance } = this.#moments;
    const squares =
      (varianceA + (meanA - ma) ** 2) / (sa * sa) -
      (2 * rho * (covariance + (meanA - ma) * (meanB - mb))) / (sa * sb) +
      (varianceB + (meanB - mb) ** 2) / (sb * sb);
    let sum = count * (-logA - logB - Math.log(rest) / 2 - squares / (2 * rest));
    let others = 0;
    const { values, weights } = this.#halves;
    for (let k = 0; k < values.length; k++) {
      const half = values[k];
      const weight = weights[k] ?? 0;
      if (half !== undefined) sum += weight * this.#half(half, state);
      others += weight;
    }
    if (this.#corners.values.length > 0) {
      const chances = this.#cornersAt(state);
      for (let k = 0; k < chances.length; k++) {
        sum += (this.#corners.weights[k] ?? 0) * (chances[k] ?? 0);
        others += this.#corners.weights[k] ?? 0;
      }
    }
    return sum - (count + others) * Math.log(this.#seen(state));
  }

  scores(parameters: readonly number[]): Float64Array {
    const state = stateOf(parameters);
    const { ma, mb, sa, sb, rho, rest, rhoSlope } = state;
    const n = this.#exact.length;
    const scores = new Float64Array(SIZE * this.weights.length);
    for (let k = 0, at = 0; k < n; k++, at += SIZE) {
      const pair = this.#exact[k];
      if (pair === undefined) continue;
      const za = (pair[0] - ma) / sa;
      const zb = (pair[1] - mb) / sb;
      const product = za * zb;
      const squares = za * za - 2 * rho * product + zb * zb;
      scores[at] = (za - rho * zb) / (sa * rest);
      scores[at + 1] = (zb - rho * za) / (sb * rest);
      scores[at + 2] = (za * za - rho * product) / rest - 1;
      scores[at + 3] = (zb * zb - rho * product) / rest - 1;
      scores[at + 4] = (rhoSlope * (rho + product - (rho * squares) / rest)) / rest;
    }
    this.#otherScores(parameters, state, scores.subarray(SIZE * n));
    const seen = this.#seenSlopes(state);
    for (let at = 0; at < scores.length; at += SIZE)
      for (let i = 0; i < SIZE; i++) scores[at + i] = (scores[at + i] ?? 0) - (seen[i] ?? 0);
    return scores;
  }

  /** The scores of pairs read in full are polynomials of their two readings: their sums follow from moments. */
  sums(parameters: readonly number[], withOuter: boolean): ScoreSums {
    const state = stateOf(parameters);
    const n = this.#exact.length;
    const seen = this.#seenSlopes(state);
    const others = new Float64Array(SIZE * (this.weights.length - n));
    this.#otherScores(parameters, state, others);
    for (let at = 0; at < others.length; at += SIZE)
      for (let i = 0; i < SIZE; i++) others[at + i] = (others[at + i] ?? 0) - (seen[i] ?? 0);
    const { slope, outer } = summed(others, this.weights.subarray(n), SIZE, withOuter);
    const powers = standardised(this.#moments, state, withOuter ? MAX_POWER : MAX_POWER / 2);
    const terms = exactTerms(state, seen);
    for (let i = 0; i < SIZE; i++) {
      let sum = 0;
      for (let k = 0; k < TERMS; k++) sum += (terms[i * TERMS + k] ?? 0) * (powers[TERM_POWERS[k] ?? 0] ?? 0);
      slope[i] = (slope[i] ?? 0) + sum;
      for (let j = 0; withOuter && j <= i; j++) {
        let products = 0;
        for (let k = 0; k < TERMS; k++) {
          const own = terms[i * TERMS + k] ?? 0;
          const from = TERM_POWERS[k] ?? 0;
          // Most terms of a score are 0.
          for (let l = 0; own !== 0 && l < TERMS; l++) {
            const other = terms[j * TERMS + l] ?? 0;
            if (other !== 0) products += own * other * (powers[from + (TERM_POWERS[l] ?? 0)] ?? 0);
          }
        }
        outer[i * SIZE + j] = (outer[i * SIZE + j] ?? 0) + products;
        if (j < i) outer[j * SIZE + i] = (outer[j * SIZE + i] ?? 0) + products;
      }
    }
    return { slope, outer };
  }

  /** Of the pairs of which one side at most was read in full. */
  #otherScores(parameters: readonly number[], state: State, into: Float64Array): void {
    const halves = this.#halves.values;
    for (let k = 0; k < halves.length; k++) {
      const half = halves[k];
      if (half !== undefined) this.#halfSlopes(half, state, into, SIZE * k);
    }
    if (this.#corners.values.length > 0)
      slopes((moved) => this.#cornersAt(stateOf(moved)), parameters, into.subarray(SIZE * halves.length));
  }

  /** Chance that at least one side hears a frame. */
  #seen({ ma, mb, sa, sb, rho, blurA, blurB }: State): number {
    const lost = this.#otherLoss;
    const h = (this.#floor - ma) / blurA;
    const k = (this.#floor - mb) / blurB;
    const byFloor = normalCdf(h) + normalCdf(k);
    const both = bivariateNormalCdf(h, k, (rho * sa * sb) / (blurA * blurB));
    return Math.max(TINY, 1 - lost * lost - lost * (1 - lost) * byFloor - (1 - lost) * (1 - lost) * both);
  }

  /** Slopes of its logarithm. */
  #seenSlopes(state: State): readonly number[] {
    const { ma, mb, sa, sb, rho, rhoSlope, blurA, blurB } = state;
    const lost = this.#otherLoss;
    const heard = 1 - lost;
    const h = (this.#floor - ma) / blurA;
    const k = (this.#floor - mb) / blurB;
    const scale = (sa * sb) / (blurA * blurB);
    const [byH, byK, byRho] = bivariateNormalSlopes(h, k, rho * scale);
    const missedA = lost * heard * normalDensity(h) + heard * heard * byH;
    const missedB = lost * heard * normalDensity(k) + heard * heard * byK;
    const together = heard * heard * byRho * scale;
    // A wider spread moves the limit nearer in standard deviations, and takes share from the knee.
    const shareA = (sa * sa) / (blurA * blurA);
    const shareB = (sb * sb) / (blurB * blurB);
    const seen = this.#seen(state);
    return [
      missedA / blurA / seen,
      missedB / blurB / seen,
      (missedA * h * shareA - together * rho * (1 - shareA)) / seen,
      (missedB * k * shareB - together * rho * (1 - shareB)) / seen,
      (-together * rhoSlope) / seen,
    ];
  }

  /** Log likelihood of a pair of which one side alone was read in full. */
  #half({ side, value, isMissed }: Half, state: State): number {
    const isA = side === "a";
    const s = isA ? state.sa : state.sb;
    const z = (value - (isA ? state.ma : state.mb)) / s;
    const other = isA ? state.sb : state.sa;
    const expected = (isA ? state.mb : state.ma) + state.rho * other * z;
    const within = other * other * state.rest;
    const chance = isMissed
      ? this.#otherLoss +
        (1 - this.#otherLoss) * normalCdf((this.#floor - expected) / Math.sqrt(within + KNEE_DB * KNEE_DB))
      : normalCdf((expected - this.#ceiling) / Math.sqrt(within));
    return -(isA ? state.logA : state.logB) - (z * z) / 2 + Math.log(chance + TINY);
  }

  /** Its slopes, written into `into` from `at` on. */
  #halfSlopes({ side, value, isMissed }: Half, state: State, into: Float64Array, at: number): void {
    const isA = side === "a";
    const { rho, rest, rhoSlope } = state;
    const s = isA ? state.sa : state.sb;
    const z = (value - (isA ? state.ma : state.mb)) / s;
    const other = isA ? state.sb : state.sa;
    const expected = (isA ? state.mb : state.ma) + rho * other * z;
    const within = other * other * rest;
    const spread = Math.sqrt(isMissed ? within + KNEE_DB * KNEE_DB : within);
    // How many spreads the limit lies from what is expected, and how the logarithm of the chance moves with that.
    const c = isMissed ? (this.#floor - expected) / spread : (expected - this.#ceiling) / spread;
    const heard = isMissed ? 1 - this.#otherLoss : 1;
    const chance = (isMissed ? this.#otherLoss : 0) + heard * normalCdf(c);
    const byC = (heard * normalDensity(c)) / (chance + TINY);
    const byExpected = ((isMissed ? -1 : 1) * byC) / spread;
    const byWithin = (-byC * c) / (2 * spread * spread);
    const own = isA ? 0 : 1;
    into[at + own] = z / s - (byExpected * rho * other) / s;
    into[at + 1 - own] = byExpected;
    into[at + 2 + own] = z * z - 1 - byExpected * rho * other * z;
    into[at + 3 - own] = byExpected * rho * other * z + 2 * byWithin * within;
    into[at + 4] = rhoSlope * (byExpected * other * z - 2 * byWithin * other * other * rho);
  }

  /** Log likelihood of each row of which neither side was read in full. */
  #cornersAt({ ma, mb, sa, sb, rho, blurA, blurB }: State): Float64Array {
    const lost = this.#otherLoss;
    const upA = (ma - this.#ceiling) / sa;
    const upB = (mb - this.#ceiling) / sb;
    const downA = (this.#floor - ma) / blurA;
    const downB = (this.#floor - mb) / blurB;
    /** One side above the ceiling, the other missed by the floor: P(X <= f) - P(X <= f, Y <= c). */
    const missed = (down: number, up: number, r: number) =>
      Math.max(0, normalCdf(down) - bivariateNormalCdf(down, -up, r));
    return Float64Array.from(this.#corners.values, (corner) => {
      if (corner === "both above") return Math.log(bivariateNormalCdf(upA, upB, rho) + TINY);
      const chance =
        corner === "a above"
          ? lost * normalCdf(upA) + (1 - lost) * missed(downB, upA, (rho * sb) / blurB)
          : lost * normalCdf(upB) + (1 - lost) * missed(downA, upB, (rho * sa) / blurA);
      return Math.log(chance + TINY);
    });
  }
}

/** Terms of a score, powers of the two readings: 1, a, b, a², ab, b². */
const TERMS = 6;
/** Moments up to this power of each reading stand in a square of so many a side. */
const MAX_POWER = 4;
const SIDE = MAX_POWER + 1;
/** Where each term's moment stands; products of two terms stand where their places add up to. */
const TERM_POWERS = Uint8Array.of(0, SIDE, 1, 2 * SIDE, SIDE + 1, 2);

/** The score of a pair read in full, by each parameter: its factor before each term. */
function exactTerms(
  { sa, sb, rho, rest, rhoSlope }: State,
  [seenA = 0, seenB = 0, seenLogA = 0, seenLogB = 0, seenRho = 0]: readonly number[],
): Float64Array {
  const byRho = rhoSlope / rest;
  const square = (-byRho * rho) / rest;
  const terms = new Float64Array(SIZE * TERMS);
  terms.set([-seenA, 1 / (sa * rest), -rho / (sa * rest)]);
  terms.set([-seenB, -rho / (sb * rest), 1 / (sb * rest)], TERMS);
  terms.set([-1 - seenLogA, 0, 0, 1 / rest, -rho / rest], 2 * TERMS);
  terms.set([-1 - seenLogB, 0, 0, 0, -rho / rest, 1 / rest], 3 * TERMS);
  terms.set([byRho * rho - seenRho, 0, 0, square, byRho * (1 + (2 * rho * rho) / rest), square], 4 * TERMS);
  return terms;
}

/**
 * Sums of the powers of both readings, up to `most` together, in standard deviations from the means of a state, from
 * those about their own means.
 */
function standardised(
  { powers, meanA, meanB }: Moments,
  { ma, mb, sa, sb }: State,
  most: number,
): Float64Array {
  const ofA = powersOf(meanA - ma);
  const ofB = powersOf(meanB - mb);
  const sums = new Float64Array(SIDE * SIDE);
  for (let i = 0; i <= most; i++)
    for (let j = 0; i + j <= most; j++) {
      let sum = 0;
      for (let k = 0; k <= i; k++) {
        const factor = (CHOICES[i * SIDE + k] ?? 0) * (ofA[i - k] ?? 0);
        for (let l = 0; l <= j; l++)
          sum += factor * (CHOICES[j * SIDE + l] ?? 0) * (ofB[j - l] ?? 0) * (powers[k * SIDE + l] ?? 0);
      }
      sums[i * SIDE + j] = sum / (sa ** i * sb ** j);
    }
  return sums;
}

function powersOf(value: number): Float64Array {
  const powers = new Float64Array(SIDE).fill(1);
  for (let i = 1; i < SIDE; i++) powers[i] = (powers[i - 1] ?? 1) * value;
  return powers;
}

/** Binomial coefficients, row by row of a square. */
const CHOICES = Uint8Array.of(
  ...[1, 0, 0, 0, 0],
  ...[1, 1, 0, 0, 0],
  ...[1, 2, 1, 0, 0],
  ...[1, 3, 3, 1, 0],
  ...[1, 4, 6, 4, 1],
);

interface Moments {
  /** Sums of the powers of both readings about their means, up to `MAX_POWER` together. */
  readonly powers: Float64Array;
  readonly count: number;
  readonly meanA: number;
  readonly meanB: number;
  readonly varianceA: number;
  readonly varianceB: number;
  readonly covariance: number;
}

/** Of the pairs read in full; null: too few. */
function momentsOf(exact: readonly (readonly [number, number])[]): Moments | null {
  const count = exact.length;
  if (count < MIN_EXACT_PAIRS) return null;
  const meanA = exact.reduce((sum, [a]) => sum + a, 0) / count;
  const meanB = exact.reduce((sum, [, b]) => sum + b, 0) / count;
  const powers = new Float64Array(SIDE * SIDE);
  for (const [a, b] of exact) {
    const u = a - meanA;
    const v = b - meanB;
    for (let i = 0, ofA = 1; i <= MAX_POWER; i++, ofA *= u)
      for (let j = 0, of = ofA; i + j <= MAX_POWER; j++, of *= v)
        powers[i * SIDE + j] = (powers[i * SIDE + j] ?? 0) + of;
  }
  return {
    powers,
    count,
    meanA,
    meanB,
    varianceA: (powers[2 * SIDE] ?? 0) / count,
    varianceB: (powers[2] ?? 0) / count,
    covariance: (powers[SIDE + 1] ?? 0) / count,
  };
}

/** Where to begin. */
function startOf({ meanA, meanB, varianceA, varianceB, covariance }: Moments): number[] {
  const rho = Math.max(-0.9, Math.min(0.9, covariance / Math.sqrt(Math.max(1e-6, varianceA * varianceB))));
  const logOf = (variance: number) => Math.log(Math.max(0.3, Math.sqrt(variance)));
  return [meanA, meanB, logOf(varianceA), logOf(varianceB), Math.atanh(rho)];
}
