/**
 * Which parameters make what was observed most likely, and how much does each observation move them?
 */

/** Log likelihood of each observation under given parameters; -Infinity where they are impossible. */
export interface Likelihood {
  readonly count: number;
  /** How much each observation counts; 1 for all when absent. */
  readonly weights?: readonly number[];
  /** Prepares what depends on the parameters alone, and gives the log likelihood of one observation. */
  at(parameters: readonly number[]): (observation: number) => number;
}

export interface Fit {
  readonly parameters: readonly number[];
  /** For each observation, how far it alone moves each parameter: their sum over all observations is 0. */
  readonly influence: readonly (readonly number[])[];
}

const MAX_STEPS = 60;
const STEP = 1e-4;
const SETTLED = 1e-6;

/**
 * Maximum by the outer product of scores (Berndt, Hall, Hall and Hausman, Annals of Economic and Social Measurement 3
 * (1974) 653-665) with halved steps. Influence: inverse Hessian times score, which stays right when observations
 * resemble their neighbours (Huber 1967). Null when it does not settle or the maximum is no peak.
 */
export function maximiseLikelihood(likelihood: Likelihood, start: readonly number[]): Fit | null {
  const { weights } = likelihood;
  let parameters = [...start];
  let value = total(likelihood, parameters);
  if (!Number.isFinite(value)) return null;
  let settled = false;
  for (let step = 0; step < MAX_STEPS && !settled; step++) {
    const scores = scoresAt(likelihood, parameters);
    const gradient = summed(scores, weights);
    const direction = solve(outerProduct(scores, weights), gradient);
    if (direction === null) return null;
    let size = 1;
    let next = parameters;
    let nextValue = Number.NEGATIVE_INFINITY;
    for (let halving = 0; halving < 20; halving++) {
      next = parameters.map((parameter, i) => parameter + size * limited(direction[i] ?? 0));
      nextValue = total(likelihood, next);
      if (nextValue >= value - 1e-12) break;
      size /= 2;
    }
    if (!(nextValue >= value - 1e-12)) break;
    const gain = nextValue - value;
    parameters = next;
    value = nextValue;
    settled = gain < SETTLED * likelihood.count ** 0.5;
  }
  if (!settled) return null;
  const information = negativeHessian(likelihood, parameters);
  const inverse = inverseOf(information);
  if (inverse === null || inverse.some((row, i) => !((row[i] ?? 0) > 0))) return null;
  const scores = scoresAt(likelihood, parameters);
  const influence = scores.map((score, k) => {
    const weight = weights?.[k] ?? 1;
    return inverse.map((row) => weight * row.reduce((sum, entry, i) => sum + entry * (score[i] ?? 0), 0));
  });
  return { parameters, influence };
}

/** No step may carry a parameter out of sight at once. */
function limited(step: number): number {
  return Math.max(-3, Math.min(3, step));
}

function total({ count, weights, at }: Likelihood, parameters: readonly number[]): number {
  const of = at(parameters);
  let sum = 0;
  for (let k = 0; k < count; k++) sum += (weights?.[k] ?? 1) * of(k);
  return Number.isNaN(sum) ? Number.NEGATIVE_INFINITY : sum;
}

function scoresAt({ count, at }: Likelihood, parameters: readonly number[]): number[][] {
  const scores = Array.from({ length: count }, () => new Array<number>(parameters.length).fill(0));
  for (let i = 0; i < parameters.length; i++) {
    const up = at(shifted(parameters, i, STEP));
    const down = at(shifted(parameters, i, -STEP));
    for (let k = 0; k < count; k++) {
      const score = scores[k];
      if (score !== undefined) score[i] = (up(k) - down(k)) / (2 * STEP);
    }
  }
  return scores;
}

function summed(scores: readonly number[][], weights: readonly number[] | undefined): number[] {
  const sum = new Array<number>(scores[0]?.length ?? 0).fill(0);
  scores.forEach((score, k) => {
    const weight = weights?.[k] ?? 1;
    score.forEach((entry, i) => {
      sum[i] = (sum[i] ?? 0) + weight * entry;
    });
  });
  return sum;
}

function outerProduct(scores: readonly number[][], weights: readonly number[] | undefined): number[][] {
  const size = scores[0]?.length ?? 0;
  const product = Array.from({ length: size }, () => new Array<number>(size).fill(0));
  scores.forEach((score, k) => {
    const weight = weights?.[k] ?? 1;
    for (let i = 0; i < size; i++) {
      const row = product[i];
      if (row === undefined) continue;
      for (let j = 0; j < size; j++) row[j] = (row[j] ?? 0) + weight * (score[i] ?? 0) * (score[j] ?? 0);
    }
  });
  return product;
}

const HESSIAN_STEP = 1e-3;

function negativeHessian(likelihood: Likelihood, parameters: readonly number[]): number[][] {
  const value = (i: number, di: number, j: number, dj: number) =>
    total(likelihood, shifted(shifted(parameters, i, di), j, dj));
  const h = HESSIAN_STEP;
  const centre = total(likelihood, parameters);
  const size = parameters.length;
  const result = Array.from({ length: size }, () => new Array<number>(size).fill(0));
  for (let i = 0; i < size; i++) {
    for (let j = 0; j <= i; j++) {
      const second =
        i === j
          ? (value(i, h, i, 0) - 2 * centre + value(i, -h, i, 0)) / (h * h)
          : (value(i, h, j, h) - value(i, h, j, -h) - value(i, -h, j, h) + value(i, -h, j, -h)) / (4 * h * h);
      const row = result[i];
      const mirrored = result[j];
      if (row !== undefined) row[j] = -second;
      if (mirrored !== undefined) mirrored[i] = -second;
    }
  }
  return result;
}

function shifted(parameters: readonly number[], index: number, by: number): number[] {
  const moved = [...parameters];
  moved[index] = (moved[index] ?? 0) + by;
  return moved;
}

/** Solves matrix x = right by elimination with pivots; null when the matrix is singular. */
function solve(matrix: readonly (readonly number[])[], right: readonly number[]): number[] | null {
  const inverse = inverseOf(matrix);
  return inverse?.map((row) => row.reduce((sum, entry, i) => sum + entry * (right[i] ?? 0), 0)) ?? null;
}

function inverseOf(matrix: readonly (readonly number[])[]): number[][] | null {
  const size = matrix.length;
  const rows = matrix.map((row, i) => [...row, ...row.map((_, j) => (i === j ? 1 : 0))]);
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
    rows[column] = pivotRow.map((entry) => entry / pivot);
    for (let i = 0; i < size; i++) {
      const row = rows[i];
      const factor = row?.[column] ?? 0;
      if (i === column || row === undefined || factor === 0) continue;
      rows[i] = row.map((entry, j) => entry - factor * (rows[column]?.[j] ?? 0));
    }
  }
  return rows.map((row) => row.slice(size));
}
