/**
 * How uncertain is what changed between two periods, when a spell of weather moves all nodes at once? By drawing blocks
 * of time anew, the same for all nodes, within each period.
 */
import { blockSums, repeatableChance, standardDeviation } from "../../statistics/block-bootstrap.ts";
import { chiSquareQuantile } from "../../statistics/student.ts";
import type { Push } from "./node-effect.ts";

const SLOTS = 240;
const REPLICATES = 400;
const HOUR_US = 3_600_000_000;
const DAY_US = 24 * HOUR_US;
/** Fewest blocks a period is cut into. Chosen. */
const FEWEST_BLOCKS = 6;
/** A spell lasts no less than this: twice the memory presumed of a path. */
const LEAST_BLOCK_US = HOUR_US;

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
  if (lengthUs >= FEWEST_BLOCKS * DAY_US) return DAY_US;
  return Math.min(lengthUs / 2, Math.max(LEAST_BLOCK_US, Math.min(DAY_US, lengthUs / FEWEST_BLOCKS)));
}
