/**
 * How much would a figure vary if the same stretch of time were lived through again? By drawing whole blocks of time
 * anew, so that what hangs together in time stays together.
 */

/** Contributions to a sum, one a slot of time, in order. */
export type Slots = readonly number[];

export interface BootstrapOptions {
  /** Slots a block. */
  readonly block: number;
  readonly replicates: number;
  /** At least 0, below 1. */
  readonly random: () => number;
}

/**
 * Sums of slots drawn by circular blocks: Politis and Romano, in Exploring the Limits of Bootstrap (1992) 263-270; the
 * moving blocks of Kuensch, Annals of Statistics 17 (1989) 1217-1241, closed to a ring, so that every slot is drawn alike.
 */
export function blockSums(slots: Slots, { block, replicates, random }: BootstrapOptions): number[] {
  const n = slots.length;
  if (n === 0) return [];
  const length = Math.max(1, Math.min(n, Math.round(block)));
  // Sum of the first i slots, once around the ring and on.
  const upTo = new Float64Array(n + length + 1);
  for (let i = 0; i < n + length; i++) upTo[i + 1] = (upTo[i] ?? 0) + (slots[i % n] ?? 0);
  const blocks = Math.floor(n / length);
  const rest = n - blocks * length;
  const drawn = (size: number) => {
    const start = Math.floor(random() * n);
    return (upTo[start + size] ?? 0) - (upTo[start] ?? 0);
  };
  return Array.from({ length: replicates }, () => {
    let sum = rest > 0 ? drawn(rest) : 0;
    for (let b = 0; b < blocks; b++) sum += drawn(length);
    return sum;
  });
}

/** Estimates of samples drawn with replacement (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 6). */
export function bootstrapEstimates(
  values: readonly number[],
  of: (sample: readonly number[]) => number,
  replicates: number,
  random: () => number,
): number[] {
  return Array.from({ length: replicates }, () =>
    of(values.map(() => values[Math.floor(random() * values.length)] ?? 0)),
  );
}

/** A source of chance that always runs the same: answers must not change when nothing was added. Marsaglia's xorshift (2003), 32 bits. */
export function repeatableChance(seed: number): () => number {
  let state = seed >>> 0 || 1;
  return () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    state >>>= 0;
    return state / 2 ** 32;
  };
}

export function standardDeviation(values: readonly number[]): number {
  const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
  const squares = values.reduce((sum, value) => sum + (value - mean) ** 2, 0);
  return Math.sqrt(squares / Math.max(1, values.length - 1));
}
