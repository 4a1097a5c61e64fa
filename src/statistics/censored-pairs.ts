/**
 * Of two receivers on the same frames, how much higher does one read, although each gets copies only what lies above its floor?
 *
 * Where one alone heard a frame, the other's reading lay below the floor: leaving such frames out would make the weak
 * side look better than it is, for its lucky frames remain. They take part by their probability under a bivariate
 * normal distribution, censored as in censored.ts (two-limit Tobit, for two readings at once). Frames that
 * neither heard cannot be distinguished from frames lost on the way to both: the likelihood is that of frames which at least one
 * heard (a truncated sample), and needs nothing of the rest.
 */
import { Rows } from "./censored.ts";
import { type Likelihood, maximiseLikelihood } from "./maximum-likelihood.ts";
import {
  type CensoredPair,
  type CensoredPairOptions,
  type Corner,
  type Half,
  PairLikelihood,
} from "./pair-likelihood.ts";
import { momentsOf, SIZE, startOf } from "./pair-moments.ts";

export interface PairDifference {
  /** Mean of a minus mean of b, over all frames. */
  readonly difference: number;
  /** How far each pair moves it; sums to 0. */
  readonly influence: readonly number[];
}

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
