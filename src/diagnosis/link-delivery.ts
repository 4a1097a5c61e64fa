/**
 * What would delivery be, had the same frames been sent with a few dB more or less over the floor?
 *
 * The margins of heard frames are those of survivors: frames lost at the floor are missing from them. A heard frame of
 * margin m therefore stands for 1 / P(m) frames sent, P being the demodulator's knee (Horvitz and Thompson, JASA 47
 * (1952) 663-685: each draw weighed by the inverse of its chance to be seen). With a change of s dB each would have
 * been read with chance P(m + s), so delivery = Σ P(m + s) / P(m) over the counters expected. Losses for other reasons
 * stay as they were.
 */

import type { Headroom, MarginDistribution, WhatIf } from "../contract/link.ts";
import { type Knee, POSSIBLE_KNEES, readProbability, USUAL_KNEE } from "../radio/margin.ts";
import { wilsonInterval } from "../statistics/proportions.ts";
import { quantile } from "../statistics/robust.ts";
import { effectiveCount } from "../statistics/series.ts";
import { decibel, figure, percent } from "../words/format.ts";
import { type LinkFrame, marginOf } from "./link-frame.ts";

interface Delivery {
  readonly ratio: number | null;
  readonly interval95: [number, number] | null;
}

/** A counter that was expected: the margin at which this gateway heard it, dB; null when it did not. */
export type Outcome = number | null;

/** Fewer than these, and a share says too little (chosen). */
const MIN_EXPECTED = 20;
const MIN_HEARD = 10;
/** No heard frame stands for more than 20 sent: the weight of one far below the floor would decide alone (chosen). */
const MIN_CHANCE = 0.05;
/** With the weakest tenth below this margin, missed frames may have been too weak to be seen at all (chosen, dB). */
const NEAR_FLOOR_DB = 5;

const NOTHING: Delivery = { ratio: null, interval95: null };

/**
 * Delivery under a change of margin, with a 95 % interval that holds chance (dependence between neighbours included),
 * the knee's own uncertainty, and, for more margin, frames that may have been too weak to be seen. 0 dB: as it was.
 */
export function deliveryUnder(outcomes: readonly Outcome[], changeDb: number): Delivery {
  const heard = outcomes.filter((margin): margin is number => margin !== null);
  if (outcomes.length < MIN_EXPECTED || heard.length < MIN_HEARD) return NOTHING;
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
  return Math.max(MIN_CHANCE, readProbability(marginDb, knee));
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

// How are the margins of a link spread, and how many steps of data rate do they leave?

/** Exact: every frame with an SNR is counted once. */
export function marginDistribution(frames: readonly LinkFrame[]): MarginDistribution {
  const margins = frames.map(marginOf).filter((margin): margin is number => margin !== null);
  const round = (value: number | null) => (value === null ? null : Math.round(value * 100) / 100);
  const shared = {
    count: margins.length,
    p10Db: round(quantile(margins, 0.1)),
    medianDb: round(quantile(margins, 0.5)),
    p90Db: round(quantile(margins, 0.9)),
  };
  if (margins.length === 0) return { ...shared, firstBinDb: 0, bins: [] };
  let first = Number.POSITIVE_INFINITY;
  let last = Number.NEGATIVE_INFINITY;
  for (const margin of margins) {
    first = Math.min(first, Math.floor(margin));
    last = Math.max(last, Math.floor(margin));
  }
  const bins = new Array<number>(last - first + 1).fill(0);
  for (const margin of margins)
    bins[Math.floor(margin) - first] = (bins[Math.floor(margin) - first] ?? 0) + 1;
  return { ...shared, firstBinDb: first, bins };
}

/** SNR floors of neighbouring spreading factors are 2.5 dB apart. SX1276 data sheet, Table 13. */
const STEP_DB = 2.5;
/** Fewer frames say too little of a tenth of them (chosen). */
const MIN_FRAMES = 20;

/** `spreadingFactor`: of the newest frame, or null. Judged by the weakest tenth, because the median is above the floor in half the frames only. */
export function headroomOf(
  { count, p10Db }: Pick<MarginDistribution, "count" | "p10Db">,
  spreadingFactor: number | null,
): Headroom {
  if (spreadingFactor === null)
    return { steps: null, words: "No LoRa: no step of data rate to compare with." };
  if (p10Db === null || count < MIN_FRAMES)
    return { steps: null, words: `Not enough to say: ${figure(count)} of ${MIN_FRAMES} frames with an SNR.` };
  const weakest = `the weakest tenth stands ${decibel(Math.abs(p10Db))} ${p10Db < 0 ? "below" : "above"} the floor`;
  if (p10Db >= 0) {
    const wanted = Math.floor(p10Db / STEP_DB);
    const possible = Math.max(0, spreadingFactor - FASTEST);
    const steps = Math.min(wanted, possible);
    if (steps === 0)
      return {
        steps,
        words:
          possible === 0
            ? `SF${spreadingFactor} is the fastest at 125\u202FkHz; ${weakest}.`
            : `No step faster: ${weakest}, and a step costs 2.5\u202FdB.`,
      };
    return { steps, words: `${stepWords(steps)} faster (SF${spreadingFactor - steps}): ${weakest}.` };
  }
  const wanted = Math.ceil(-p10Db / STEP_DB);
  const possible = Math.max(0, SLOWEST - spreadingFactor);
  const steps = Math.min(wanted, possible);
  if (steps === 0) return { steps: 0, words: `SF${SLOWEST} is the slowest already; ${weakest}.` };
  return {
    steps: -steps,
    words: `${stepWords(steps)} slower (SF${spreadingFactor + steps}) wanted: ${weakest}.`,
  };
}

function stepWords(steps: number): string {
  return steps === 1 ? "One step" : `${steps} steps`;
}

// What would delivery be at the next data rates, or with less power: which questions make sense, and in which words?

const FASTEST = 7;
const SLOWEST = 12;
const LESS_POWER_DB = 3;
/** With more repeats than this, counters no longer tell what one transmission achieves (chosen). */
const MAX_REPEAT_SHARE = 0.1;

export interface WhatIfEvidence {
  /** A counter each, in order. */
  readonly outcomes: readonly Outcome[];
  /** Of the newest frame. */
  readonly spreadingFactor: number | null;
  /** Share of transmissions that repeat a counter. */
  readonly repeatShare: number;
}

export interface WhatIfFindings {
  readonly delivery: Delivery;
  readonly whatIf: readonly WhatIf[];
}

/** Each frame is asked about at its own data rate, a step faster or slower than it was sent. */
export function whatIfs({ outcomes, spreadingFactor, repeatShare }: WhatIfEvidence): WhatIfFindings {
  const delivery = deliveryUnder(outcomes, 0);
  if (spreadingFactor === null) return { delivery, whatIf: [] };
  const questions: Pick<WhatIf, "what" | "title" | "marginChangeDb">[] = [
    {
      what: "faster",
      title: `SF${spreadingFactor - 1} in place of SF${spreadingFactor}`,
      marginChangeDb: -STEP_DB,
    },
    {
      what: "slower",
      title: `SF${spreadingFactor + 1} in place of SF${spreadingFactor}`,
      marginChangeDb: STEP_DB,
    },
    {
      what: "less-power",
      title: `${LESS_POWER_DB}\u202FdB less power`,
      marginChangeDb: -LESS_POWER_DB,
    },
  ];
  return {
    delivery,
    whatIf: questions.map((question) => {
      const none = noneWords(question.what, spreadingFactor, repeatShare);
      if (none !== null)
        return { ...question, title: titleOf(question), ratio: null, interval95: null, words: none };
      const would = deliveryUnder(outcomes, question.marginChangeDb);
      return { ...question, ...would, words: wordsOf(would) };
    }),
  };
}

function titleOf({ what, title }: Pick<WhatIf, "what" | "title">): string {
  if (title.startsWith(`SF${FASTEST - 1} `)) return "Faster";
  return title.startsWith(`SF${SLOWEST + 1} `) && what === "slower" ? "Slower" : title;
}

/** Why nothing is said of one transmission where a frame is sent again under its counter. */
export const REPEATS_HIDE_IT =
  "Not known: frames are sent several times under one counter, so counters do not show what one transmission achieves.";

function noneWords(what: WhatIf["what"], spreadingFactor: number, repeatShare: number): string | null {
  if (what === "faster" && spreadingFactor <= FASTEST)
    return `SF${spreadingFactor} is the fastest at 125\u202FkHz.`;
  if (what === "slower" && spreadingFactor >= SLOWEST) return `SF${SLOWEST} is the slowest.`;
  if (repeatShare > MAX_REPEAT_SHARE) return REPEATS_HIDE_IT;
  return null;
}

function wordsOf({ ratio, interval95 }: Delivery): string {
  if (ratio === null || interval95 === null)
    return "Not enough to say: 20 counters expected and 10 frames with an SNR are needed.";
  return `About ${percent(ratio)}, likely ${percent(interval95[0])} to ${percent(interval95[1])}.`;
}
