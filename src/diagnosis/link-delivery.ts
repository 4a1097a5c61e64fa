/**
 * What would delivery be, had the same frames been sent with a few dB more or less over the floor?
 *
 * The margins of heard frames are those of survivors: frames lost at the floor are missing from them. A heard frame of
 * margin m therefore stands for 1 / P(m) frames sent, P being the demodulator's knee (Horvitz and Thompson, JASA 47
 * (1952) 663-685: each draw weighed by the inverse of its chance to be seen). With a change of s dB each would have
 * been read with chance P(m + s), so delivery = Σ P(m + s) / P(m) over the counters expected. Losses for other reasons
 * stay as they were.
 */
import { type Knee, POSSIBLE_KNEES, readProbability, USUAL_KNEE } from "../radio/demodulator-knee.ts";
import { effectiveCount } from "../statistics/long-run-variance.ts";
import { quantile } from "../statistics/robust.ts";
import { wilsonInterval } from "../statistics/wilson.ts";

export interface Delivery {
  readonly ratio: number | null;
  readonly interval95: [number, number] | null;
}

/** A counter that was expected: the margin at which this gateway heard it, dB; null when it did not. */
export type Outcome = number | null;

/** Fewer than these, and a share says too little (chosen). */
const LEAST_EXPECTED = 20;
const LEAST_HEARD = 10;
/** No heard frame stands for more than 20 sent: the weight of one far below the floor would decide alone (chosen). */
const LEAST_CHANCE = 0.05;
/** With the weakest tenth below this margin, missed frames may have been too weak to be seen at all (chosen, dB). */
const NEAR_FLOOR_DB = 5;

const NOTHING: Delivery = { ratio: null, interval95: null };

/**
 * Delivery under a change of margin, with a 95 % interval that holds chance (dependence between neighbours included),
 * the knee's own uncertainty, and, for more margin, frames that may have been too weak to be seen. 0 dB: as it was.
 */
export function deliveryUnder(outcomes: readonly Outcome[], changeDb: number): Delivery {
  const heard = outcomes.filter((margin): margin is number => margin !== null);
  if (outcomes.length < LEAST_EXPECTED || heard.length < LEAST_HEARD) return NOTHING;
  if (changeDb === 0) {
    const [low, high] = intervalOf(outcomes.map((margin) => (margin === null ? 0 : 1)));
    return { ratio: heard.length / outcomes.length, interval95: [low, high] };
  }
  let low = 1;
  let high = 0;
  for (const knee of POSSIBLE_KNEES) {
    const [from, to] = intervalOf(sharesOf(outcomes, changeDb, knee));
    low = Math.min(low, from);
    high = Math.max(high, to);
  }
  const shares = sharesOf(outcomes, changeDb, USUAL_KNEE);
  const ratio = Math.min(1, meanOf(shares));
  const asItWas = intervalOf(outcomes.map((margin) => (margin === null ? 0 : 1)));
  if (changeDb > 0) {
    // More margin never reads less than was read.
    low = Math.max(low, asItWas[0]);
    if ((quantile(heard, 0.1) ?? 0) < NEAR_FLOOR_DB) high = Math.min(1, high + unseenShare(outcomes));
  } else {
    high = Math.min(high, asItWas[1]);
  }
  return { ratio, interval95: [Math.min(low, ratio), Math.max(high, ratio)] };
}

/** For each counter the frames that would be read in its place; with more margin, what was read would be read again. */
function sharesOf(outcomes: readonly Outcome[], changeDb: number, knee: Knee): number[] {
  return outcomes.map((margin) => {
    if (margin === null) return 0;
    const stands = readProbability(margin + changeDb, knee) / chance(margin, knee);
    return changeDb > 0 ? Math.max(1, stands) : stands;
  });
}

function chance(marginDb: number, knee: Knee): number {
  return Math.max(LEAST_CHANCE, readProbability(marginDb, knee));
}

/** Share of counters for which neither a heard frame nor the losses that heard ones stand for account. */
function unseenShare(outcomes: readonly Outcome[]): number {
  const accounted = meanOf(outcomes.map((margin) => (margin === null ? 0 : 1 / chance(margin, USUAL_KNEE))));
  return Math.max(0, 1 - accounted);
}

/** Wilson's interval about the mean, with as many trials as the scatter of that mean is worth. */
function intervalOf(shares: readonly number[]): [number, number] {
  const mean = meanOf(shares);
  const independent = effectiveCount(shares);
  const ratio = Math.min(1, Math.max(0, mean));
  const scatter = meanOf(shares.map((share) => (share - mean) ** 2)) / independent;
  // Bernoulli trials with this mean and as uncertain a mean; where nothing scatters, as many as there are.
  const bernoulli = scatter > 0 ? (ratio * (1 - ratio)) / scatter : 0;
  const trials = bernoulli > 0 ? Math.min(shares.length, bernoulli) : independent;
  const { low, high } = wilsonInterval(ratio * trials, trials);
  return [low, high];
}

function meanOf(values: readonly number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
}
