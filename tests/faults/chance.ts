/** Chance that repeats: the same seed gives the same faults. */

export interface Chance {
  /** From 0 up to but not including 1. */
  next(): number;
}

/** Mulberry32, from memory: 32 bits of state, enough to pick moments and octets. */
export function createChance(seed: number): Chance {
  let state = seed >>> 0;
  return {
    next: () => {
      state = (state + 0x6d2b_79f5) >>> 0;
      let mixed = Math.imul(state ^ (state >>> 15), state | 1);
      mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
      return ((mixed ^ (mixed >>> 14)) >>> 0) / 4_294_967_296;
    },
  };
}

export function between(chance: Chance, least: number, most: number): number {
  return least + chance.next() * (most - least);
}

/** A whole number from 0 to `end` − 1. */
export function below(chance: Chance, end: number): number {
  return Math.floor(chance.next() * end);
}
