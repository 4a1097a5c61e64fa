/**
 * Were both periods of a trial heard at the same times of day? The air, people and leaves have a daily course: frames are
 * weighed so that each part of the day counts alike on both sides.
 */

import { chiSquareQuantile } from "../../statistics/distributions.ts";
import { blockSums, repeatableChance, standardDeviation } from "../../statistics/series.ts";
import type { Push } from "./node-effect.ts";

const DAY_US = 86_400_000_000;
/** Parts of a day of four hours. Chosen: narrow enough for a daily course, wide enough to hold frames. */
const PARTS = 6;
/** A period covers the day when it holds so many parts. */
const MIN_PARTS = 4;
/** No frame may count more than this many. */
const MAX_WEIGHT = 4;

export interface DayWeights {
  /** Weight of a frame of a and of b by its time; 0 outside the parts that both hold. */
  readonly a: (atUs: number) => number;
  readonly b: (atUs: number) => number;
  /** False: the periods share too little of the day, and frames count as they are. */
  readonly matched: boolean;
}

/** Times of the frames sent in each period. */
export function dayWeights(a: readonly number[], b: readonly number[]): DayWeights {
  const ofA = partCounts(a);
  const ofB = partCounts(b);
  const shared = ofA.map((count, part) => count > 0 && (ofB[part] ?? 0) > 0);
  if (shared.filter(Boolean).length < MIN_PARTS) return { a: () => 1, b: () => 1, matched: false };
  const target = shared.map((isShared, part) => (isShared ? Math.min(ofA[part] ?? 0, ofB[part] ?? 0) : 0));
  return { a: weightOf(ofA, target), b: weightOf(ofB, target), matched: true };
}

function partOf(atUs: number): number {
  return Math.min(PARTS - 1, Math.floor(((atUs % DAY_US) / DAY_US) * PARTS));
}

function partCounts(times: readonly number[]): number[] {
  const counts = new Array<number>(PARTS).fill(0);
  for (const atUs of times) {
    const part = partOf(atUs);
    counts[part] = (counts[part] ?? 0) + 1;
  }
  return counts;
}

/** Scaled so that the frames of a side keep their number on average. */
function weightOf(counts: readonly number[], target: readonly number[]): (atUs: number) => number {
  const all = counts.reduce((sum, count) => sum + count, 0);
  const wanted = target.reduce((sum, count) => sum + count, 0);
  const weights = counts.map((count, part) =>
    count === 0 ? 0 : Math.min(MAX_WEIGHT, ((target[part] ?? 0) / wanted) * (all / count)),
  );
  return (atUs) => weights[partOf(atUs)] ?? 0;
}

/** Waves a day that are taken for its course: one and two, as of warmth and of mornings and evenings. Chosen. */
const DAILY_WAVES = [1, 2];
/** Rounds in which each wave is fitted to what the others leave; they hardly overlap. */
const ROUNDS = 4;

/**
 * Pushes of both periods without the daily course that both have in common (harmonic regression): where times of day are
 * matched it falls out of the difference, and must not pass for a slow fading. A push of b is that of a turned over.
 */
export function withoutDay(a: readonly Push[], b: readonly Push[]): { a: Push[]; b: Push[] } {
  // Scaled back to what one frame deviates, so that both periods show the same course.
  const frames = [
    ...a.map(({ atUs, by }) => ({ atUs, value: by * a.length })),
    ...b.map(({ atUs, by }) => ({ atUs, value: -by * b.length })),
  ];
  const rest = frames.map(({ value }) => value);
  const waves = DAILY_WAVES.flatMap((perDay) =>
    [Math.cos, Math.sin].map((wave) =>
      frames.map(({ atUs }) => wave((2 * Math.PI * perDay * (atUs % DAY_US)) / DAY_US)),
    ),
  );
  for (let round = 0; round < ROUNDS; round++) {
    for (const wave of waves) {
      const along = rest.reduce((sum, value, i) => sum + value * (wave[i] ?? 0), 0);
      const size = wave.reduce((sum, one) => sum + one * one, 0);
      if (!(size > 0)) continue;
      wave.forEach((one, i) => {
        rest[i] = (rest[i] ?? 0) - (along / size) * one;
      });
    }
  }
  const centred = (values: readonly number[], pushes: readonly Push[], sign: 1 | -1) => {
    const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
    return pushes.map(({ atUs }, i) => ({ atUs, by: (sign * ((values[i] ?? 0) - mean)) / pushes.length }));
  };
  return { a: centred(rest.slice(0, a.length), a, 1), b: centred(rest.slice(a.length), b, -1) };
}

// How uncertain is what changed between two periods, when a spell of weather moves all nodes at once? By drawing blocks
// of time anew, the same for all nodes, within each period.

const SLOTS = 240;
const REPLICATES = 400;
const HOUR_US = 3_600_000_000;
const DAY_USOfTimeBlocks = 24 * HOUR_US;
/** Fewest blocks a period is cut into. Chosen. */
const MIN_BLOCKS = 6;
/** A spell lasts no less than this: twice the memory presumed of a path. */
const MIN_BLOCK_US = HOUR_US;

export interface TimeVariance {
  readonly variance: number;
  /** Length of a block, the longer of both periods'. */
  readonly blockUs: number;
  readonly blocks: number;
}

/** Variance of the sum of all pushes of both periods. */
export function timeVariance(a: readonly Push[], b: readonly Push[]): TimeVariance {
  const one = periodVariance(a, 20_260_414);
  const other = periodVariance(b, 20_260_415);
  return {
    variance: one.variance + other.variance,
    blockUs: Math.max(one.blockUs, other.blockUs),
    blocks: one.blocks + other.blocks,
  };
}

/** Whether blocks vary more than chance lets them (one time in 20) if the variance were no more than `variance`. */
export function contradicts({ variance: found, blocks }: TimeVariance, variance: number): boolean {
  const degrees = blocks - 2;
  return degrees >= 1 && found * degrees > variance * chiSquareQuantile(0.95, degrees);
}

function periodVariance(pushes: readonly Push[], seed: number): TimeVariance {
  if (pushes.length < 2) return { variance: 0, blockUs: 0, blocks: 0 };
  let from = Number.POSITIVE_INFINITY;
  let to = Number.NEGATIVE_INFINITY;
  for (const { atUs } of pushes) {
    from = Math.min(from, atUs);
    to = Math.max(to, atUs);
  }
  const lengthUs = Math.max(1, to - from);
  const slots = new Array<number>(SLOTS).fill(0);
  for (const { atUs, by } of pushes) {
    const slot = Math.min(SLOTS - 1, Math.floor(((atUs - from) / lengthUs) * SLOTS));
    slots[slot] = (slots[slot] ?? 0) + by;
  }
  const blockUs = blockLength(lengthUs);
  const blocks = lengthUs / blockUs;
  const sums = blockSums(slots, {
    block: (SLOTS * blockUs) / lengthUs,
    replicates: REPLICATES,
    random: repeatableChance(seed),
  });
  // A mean over few blocks hides part of their variance.
  return { variance: standardDeviation(sums) ** 2 * (blocks / Math.max(1, blocks - 1)), blockUs, blocks };
}

/** Whole days where there are enough of them, since a day has its own course; else a sixth of the period, an hour or more. */
function blockLength(lengthUs: number): number {
  if (lengthUs >= MIN_BLOCKS * DAY_USOfTimeBlocks) return DAY_USOfTimeBlocks;
  return Math.min(lengthUs / 2, Math.max(MIN_BLOCK_US, Math.min(DAY_USOfTimeBlocks, lengthUs / MIN_BLOCKS)));
}
