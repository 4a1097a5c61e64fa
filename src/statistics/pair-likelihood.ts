/** How likely are pairs of which either side may be missed or at the ceiling? The likelihood that censored-pairs.ts maximises. */
import { KNEE_DB, type Rows, slopes } from "./censored.ts";
import { bivariateNormalCdf, bivariateNormalSlopes, normalCdf, normalDensity } from "./distributions.ts";
import { type Likelihood, type ScoreSums, summed } from "./maximum-likelihood.ts";
import {
  exactTerms,
  MAX_POWER,
  type Moments,
  SIZE,
  type State,
  standardised,
  stateOf,
  TERM_POWERS,
  TERMS,
} from "./pair-moments.ts";

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
const TINY = 1e-300;

/** A pair of which one side alone was read in full; the other was missed, or lay at the ceiling or beyond. */
export interface Half {
  readonly side: "a" | "b";
  readonly value: number;
  readonly isMissed: boolean;
}

/** A pair of which neither side was read in full: one or both at the ceiling or beyond, the other missed. */
export type Corner = "a above" | "b above" | "both above";

export class PairLikelihood implements Required<Likelihood> {
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
