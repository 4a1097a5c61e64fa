/**
 * Which parameters make what was observed most likely, and how much does each observation move them?
 */

/** What was observed, in rows: observations that are alike share one, which counts as many times. */
export interface Likelihood {
  /** How many times each row counts. */
  readonly weights: Float64Array;
  /** Log likelihood of all rows together; -Infinity or NaN where the parameters are impossible. */
  total(parameters: readonly number[]): number;
  /** Slope of the log likelihood of each row (counted once) by each parameter, row after row. */
  scores(parameters: readonly number[]): Float64Array;
  /** The sums of the scores over all rows, where they follow from less than each row; left out: added up. */
  sums?(parameters: readonly number[], withOuter: boolean): ScoreSums;
}

export interface ScoreSums {
  /** Of the scores, each row as often as it counts. */
  readonly slope: Float64Array;
  /** Of the products of each two of them, row by row of a square; all 0 where nobody asked for them. */
  readonly outer: Float64Array;
}

export interface Fit {
  readonly parameters: readonly number[];
  /** How far an observation of each row (counted once) moves each parameter, row after row. */
  readonly influence: Float64Array;
}

const MAX_STEPS = 60;
/** Half the distance over which slopes are taken where no formula gives them. */
export const SCORE_STEP = 1e-4;
const SETTLED = 1e-6;

/**
 * Maximum by the outer product of scores (Berndt, Hall, Hall and Hausman, Annals of Economic and Social Measurement 3
 * (1974) 653-665) with halved steps. Influence: inverse Hessian times score, which stays right when observations
 * resemble their neighbours (Huber 1967). Null when it does not settle or the maximum is no peak. `count`: observations.
 */
export function maximiseLikelihood(
  likelihood: Likelihood,
  start: readonly number[],
  count: number,
): Fit | null {
  const size = start.length;
  let parameters = [...start];
  let value = totalAt(likelihood, parameters);
  if (!Number.isFinite(value)) return null;
  let settled = false;
  for (let step = 0; step < MAX_STEPS && !settled; step++) {
    const { slope, outer } = sumsAt(likelihood, parameters, true);
    const inverse = inverseOf(squareOf(outer, size));
    if (inverse === null) return null;
    const direction = moved(inverse, slope);
    let length = 1;
    let next = parameters;
    let nextValue = Number.NEGATIVE_INFINITY;
    for (let halving = 0; halving < 20; halving++) {
      next = parameters.map((parameter, i) => parameter + length * limited(direction[i] ?? 0));
      nextValue = totalAt(likelihood, next);
      if (nextValue >= value - 1e-12) break;
      length /= 2;
    }
    if (!(nextValue >= value - 1e-12)) break;
    const gain = nextValue - value;
    parameters = next;
    value = nextValue;
    settled = gain < SETTLED * count ** 0.5;
  }
  if (!settled) return null;
  const inverse = inverseOf(negativeHessian(likelihood, parameters));
  if (inverse === null || inverse.some((row, i) => !((row[i] ?? 0) > 0))) return null;
  return { parameters, influence: influenceOf(likelihood.scores(parameters), inverse) };
}

/** No step may carry a parameter out of sight at once. */
function limited(step: number): number {
  return Math.max(-3, Math.min(3, step));
}

function totalAt(likelihood: Likelihood, parameters: readonly number[]): number {
  const sum = likelihood.total(parameters);
  return Number.isNaN(sum) ? Number.NEGATIVE_INFINITY : sum;
}

function sumsAt(likelihood: Likelihood, parameters: readonly number[], withOuter: boolean): ScoreSums {
  return (
    likelihood.sums?.(parameters, withOuter) ??
    summed(likelihood.scores(parameters), likelihood.weights, parameters.length, withOuter)
  );
}

/** The sums of the scores of some rows. */
export function summed(
  scores: Float64Array,
  weights: ArrayLike<number>,
  size: number,
  withOuter: boolean,
): ScoreSums {
  const slope = new Float64Array(size);
  const outer = new Float64Array(size * size);
  for (let k = 0; k < weights.length; k++) {
    const from = k * size;
    const weight = weights[k] ?? 0;
    for (let i = 0; i < size; i++) {
      const own = weight * (scores[from + i] ?? 0);
      slope[i] = (slope[i] ?? 0) + own;
      for (let j = 0; withOuter && j <= i; j++) {
        const product = own * (scores[from + j] ?? 0);
        outer[i * size + j] = (outer[i * size + j] ?? 0) + product;
        if (j < i) outer[j * size + i] = (outer[j * size + i] ?? 0) + product;
      }
    }
  }
  return { slope, outer };
}

function squareOf(values: Float64Array, size: number): number[][] {
  return Array.from({ length: size }, (_, i) => [...values.subarray(i * size, (i + 1) * size)]);
}

function influenceOf(scores: Float64Array, inverse: readonly (readonly number[])[]): Float64Array {
  const size = inverse.length;
  const influence = new Float64Array(scores.length);
  for (let from = 0; from < scores.length; from += size)
    for (let i = 0; i < size; i++) {
      let sum = 0;
      for (let j = 0; j < size; j++) sum += (inverse[i]?.[j] ?? 0) * (scores[from + j] ?? 0);
      influence[from + i] = sum;
    }
  return influence;
}

const HESSIAN_STEP = 1e-3;

/** From the slopes on both sides of the maximum. */
function negativeHessian(likelihood: Likelihood, parameters: readonly number[]): number[][] {
  const slopesAt = (i: number, by: number) => sumsAt(likelihood, shifted(parameters, i, by), false).slope;
  const rows = parameters.map((_, i) => {
    const up = slopesAt(i, HESSIAN_STEP);
    const down = slopesAt(i, -HESSIAN_STEP);
    return Array.from(up, (slope, j) => ((down[j] ?? 0) - slope) / (2 * HESSIAN_STEP));
  });
  return rows.map((row, i) => row.map((entry, j) => (entry + (rows[j]?.[i] ?? 0)) / 2));
}

/** The parameters, one of them moved. */
export function shifted(parameters: readonly number[], index: number, by: number): number[] {
  const other = [...parameters];
  other[index] = (other[index] ?? 0) + by;
  return other;
}

function moved(matrix: readonly (readonly number[])[], by: ArrayLike<number>): number[] {
  return matrix.map((row) => row.reduce((sum, entry, i) => sum + entry * (by[i] ?? 0), 0));
}

/** Inverse by elimination with pivots; null when the matrix is singular. */
export function inverseOf(matrix: readonly (readonly number[])[]): number[][] | null {
  const size = matrix.length;
  // Beside the matrix stands the unit matrix, which becomes the inverse.
  const rows = matrix.map((row, i) => {
    const both = new Float64Array(2 * size);
    both.set(row);
    both[size + i] = 1;
    return both;
  });
  for (let column = 0; column < size; column++) {
    let best = column;
    for (let i = column + 1; i < size; i++) {
      if (Math.abs(rows[i]?.[column] ?? 0) > Math.abs(rows[best]?.[column] ?? 0)) best = i;
    }
    const pivotRow = rows[best];
    const pivot = pivotRow?.[column] ?? 0;
    const displaced = rows[column];
    if (pivotRow === undefined || displaced === undefined || !(Math.abs(pivot) > 1e-12)) return null;
    rows[best] = displaced;
    rows[column] = pivotRow;
    for (let j = 0; j < pivotRow.length; j++) pivotRow[j] = (pivotRow[j] ?? 0) / pivot;
    for (let i = 0; i < size; i++) {
      const row = rows[i];
      const factor = row?.[column] ?? 0;
      if (i === column || row === undefined || factor === 0) continue;
      for (let j = 0; j < row.length; j++) row[j] = (row[j] ?? 0) - factor * (pivotRow[j] ?? 0);
    }
  }
  return rows.map((row) => Array.from(row.subarray(size)));
}

export function matrix(size: number, entry: (row: number, column: number) => number): number[][] {
  return Array.from({ length: size }, (_, i) => Array.from({ length: size }, (_, j) => entry(i, j)));
}

export function times(rows: readonly (readonly number[])[], vector: readonly number[]): number[] {
  return rows.map((row) => dot(row, vector));
}

export function dot(a: readonly number[], b: readonly number[]): number {
  return a.reduce((sum, one, i) => sum + one * (b[i] ?? 0), 0);
}

/** Null unless the symmetric matrix is positive definite (by the leading minors' pivots). */
export function positiveInverse(rows: number[][]): number[][] | null {
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
