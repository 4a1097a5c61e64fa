/** What do pairs read in full by both say by their moments alone: where to begin, and the sums of their scores? Part of pair-likelihood.ts. */
import { KNEE_DB } from "./censored.ts";

/** Pairs that both sides read in full; fewer leave the correlation open. Chosen. */
const MIN_EXACT_PAIRS = 8;
/** The correlation stays below 1 by this factor. */
const MAX_RHO = 0.995;

/** Parameters: both means, the logarithms of both standard deviations, and what gives the correlation. */
export const SIZE = 5;

/** What the parameters stand for. */
export interface State {
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

export function stateOf([ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0]: readonly number[]): State {
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

/** Terms of a score, powers of the two readings: 1, a, b, a², ab, b². */
export const TERMS = 6;
/** Moments up to this power of each reading stand in a square of so many a side. */
export const MAX_POWER = 4;
const SIDE = MAX_POWER + 1;
/** Where each term's moment stands; products of two terms stand where their places add up to. */
export const TERM_POWERS = Uint8Array.of(0, SIDE, 1, 2 * SIDE, SIDE + 1, 2);

/** The score of a pair read in full, by each parameter: its factor before each term. */
export function exactTerms(
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
export function standardised(
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

export interface Moments {
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
export function momentsOf(exact: readonly (readonly [number, number])[]): Moments | null {
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
export function startOf({ meanA, meanB, varianceA, varianceB, covariance }: Moments): number[] {
  const rho = Math.max(-0.9, Math.min(0.9, covariance / Math.sqrt(Math.max(1e-6, varianceA * varianceB))));
  const logOf = (variance: number) => Math.log(Math.max(0.3, Math.sqrt(variance)));
  return [meanA, meanB, logOf(varianceA), logOf(varianceB), Math.atanh(rho)];
}
