/** Which frames are trials of a receiver, and what do the frames around one say of its level? The rules stand in threshold.ts. */
import { demodulationFloorDb } from "../../radio/margin.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { median } from "../../statistics/robust.ts";
import type { SeriesLevel, ThresholdFit } from "../../statistics/soft-threshold.ts";
import type { ThresholdTrial } from "../../statistics/threshold-likelihood.ts";

/** One frame of a node, by one gateway. */
export interface ReceiverTrial {
  readonly atUs: number;
  /** As reported; null: not heard, or heard without a figure. */
  readonly snrDb: number | null;
  readonly isHeard: boolean;
  /** null: missed by all, so nobody knows. */
  readonly frequencyHz: number | null;
  /** Another gateway heard it. */
  readonly byOthers: boolean;
}

/** The frames of one counter life at one data rate, in order of time. */
export interface ReceiverSeries {
  readonly node: string;
  readonly spreadingFactor: number;
  readonly trials: readonly ReceiverTrial[];
}

export type Basis = "others" | "alone";
/** Readings from here on say "at least" (src/radio/noise.ts: the estimator saturates from +10 dB). */
export const CEILING_DB = 7;

/** What a series must hold to take part. Chosen. */
const MIN_TRIALS = 30;
const MIN_READINGS = 15;
/** Of a node of which less is read, the level is not known. Chosen. */
const MIN_SHARE_READ = 0.03;
/** Trials of a block: neighbours in time resemble each other. Chosen: three times as many as are averaged around one. */
const BLOCK_TRIALS = 25;
/** Readings on either side of a trial that say what its level is, and how far they may lie away. Chosen. */
const AROUND = { readings: 4, trials: 12, us: 6 * 3_600_000_000 } as const;
/** A run in which so many frames should have been heard by each node's usual share: by chance once in a thousand (e^-7). */
const MAX_EXPECTED_IN_SILENCE = 7;

// Which runs of misses do levels not explain?

/**
 * The series without the runs between two frames heard in which, by each node's share heard, more than
 * MAX_EXPECTED_IN_SILENCE should have been heard.
 */
export function withoutSilences(
  series: readonly ReceiverSeries[],
  basis: Basis,
): { readonly series: readonly ReceiverSeries[]; readonly leftOut: number } {
  const all = series.flatMap(({ trials }, j) => {
    const counted = trials.filter(({ byOthers }) => basis === "alone" || byOthers);
    const share = counted.filter(({ isHeard }) => isHeard).length / Math.max(1, counted.length);
    return trials.map((trial) => ({ trial, share, j, counts: basis === "alone" || trial.byOthers }));
  });
  all.sort((a, b) => a.trial.atUs - b.trial.atUs);
  const silent = new Set<ReceiverTrial>();
  let run: typeof all = [];
  const close = () => {
    const expected = run.reduce((sum, { share, counts }) => sum + (counts ? share : 0), 0);
    if (expected > MAX_EXPECTED_IN_SILENCE) for (const { trial } of run) silent.add(trial);
    run = [];
  };
  for (const one of all) {
    if (one.trial.isHeard) close();
    else run.push(one);
  }
  close();
  if (silent.size === 0) return { series, leftOut: 0 };
  return {
    series: series.map((one) => ({ ...one, trials: one.trials.filter((trial) => !silent.has(trial)) })),
    leftOut: silent.size,
  };
}

// What do the frames around a trial say of its level?

export interface PreparedSeries {
  readonly node: string;
  readonly spreadingFactor: number;
  readonly floorDb: number;
  /** Median of what was read, over the floor. */
  readonly marginDb: number;
  /** Readings over the floor. */
  readonly trials: readonly ThresholdTrial[];
}

/** None when the series cannot tell of the threshold. */
export function prepared(
  { node, spreadingFactor, trials }: ReceiverSeries,
  basis: Basis,
  channelShiftsDb: ReadonlyMap<number, number>,
): PreparedSeries[] {
  const floorDb = demodulationFloorDb(spreadingFactor);
  if (floorDb === null) return [];
  const shiftOf = (hz: number | null) => (hz === null ? 0 : (channelShiftsDb.get(hz) ?? 0));
  const channelVariance = varianceOf([...channelShiftsDb.values()]);
  const readings = trials.map(({ snrDb, frequencyHz }) =>
    snrDb === null ? null : Math.min(snrDb, CEILING_DB) - floorDb - shiftOf(frequencyHz),
  );
  const middle = median(readings.filter((one) => one !== null));
  if (middle === null) return [];
  const counted: ThresholdTrial[] = [];
  trials.forEach((trial, i) => {
    const { snrDb, isHeard, frequencyHz, byOthers } = trial;
    // Heard without a figure: no reading, and no miss.
    if ((basis === "others" && !byOthers) || (isHeard && snrDb === null)) return;
    counted.push({
      reading: snrDb === null ? null : snrDb - floorDb,
      around: aroundOf(trials, readings, i, middle),
      shift: shiftOf(frequencyHz),
      extraVariance: frequencyHz === null ? channelVariance : 0,
      block: 0,
    });
  });
  const kept = counted.map((one, i) => ({ ...one, block: Math.floor(i / BLOCK_TRIALS) }));
  const exact = kept.filter(({ reading }) => reading !== null && reading < CEILING_DB - floorDb).length;
  if (kept.length < MIN_TRIALS || exact < Math.max(MIN_READINGS, MIN_SHARE_READ * kept.length)) return [];
  return [{ node, spreadingFactor, floorDb, marginDb: middle, trials: kept }];
}

/** Mean of the nearest readings before and after, against the series' middle; drawn towards 0 where they are few. */
function aroundOf(
  trials: readonly ReceiverTrial[],
  readings: readonly (number | null)[],
  at: number,
  middle: number,
): number {
  const atUs = trials[at]?.atUs ?? 0;
  let sum = 0;
  let count = 0;
  for (const side of [-1, 1]) {
    let found = 0;
    for (let step = 1; step <= AROUND.trials && found < AROUND.readings; step++) {
      const reading = readings[at + side * step];
      const otherUs = trials[at + side * step]?.atUs;
      if (otherUs === undefined || Math.abs(otherUs - atUs) > AROUND.us) break;
      if (reading === null || reading === undefined) continue;
      sum += reading - middle;
      count += 1;
      found += 1;
    }
  }
  return sum / (count + 1);
}

function varianceOf(values: readonly number[]): number {
  if (values.length === 0) return 0;
  const mean = values.reduce((sum, one) => sum + one, 0) / values.length;
  return values.reduce((sum, one) => sum + (one - mean) ** 2, 0) / values.length;
}

/** Share delivered within 1 dB about an SNR. Missed frames stand where the frames around them place them. */
export interface DeliveryPoint {
  readonly snrDb: number;
  readonly trials: number;
  readonly delivered: number;
  readonly low: number;
  readonly high: number;
}

// Where were the missed ones? Spread over the SNR by what is known of each.

/** The drawing's ends about the floor, dB, and trials that a point needs. Chosen. */
const POINTS_FROM_DB = -6;
const POINTS_TO_DB = 8;
const MIN_A_POINT = 5;
const GRID_A_POINT = 4;

export function pointsOf(
  usable: readonly PreparedSeries[],
  fit: ThresholdFit,
  floorDb: number,
): DeliveryPoint[] {
  const count = POINTS_TO_DB - POINTS_FROM_DB;
  const heard = new Array<number>(count).fill(0);
  const missed = new Array<number>(count).fill(0);
  const indexOf = (marginDb: number) => Math.floor(marginDb - POINTS_FROM_DB);
  usable.forEach(({ trials }, j) => {
    const level = fit.series[j];
    if (level === undefined) return;
    for (const trial of trials) {
      if (trial.reading === null) spreadMissed(trial, level, fit, missed);
      else {
        const at = indexOf(trial.reading);
        if (heard[at] !== undefined) heard[at] += 1;
      }
    }
  });
  return heard.flatMap((delivered, i) => {
    const trials = Math.round(delivered + (missed[i] ?? 0));
    if (trials < MIN_A_POINT) return [];
    const { low, high } = wilsonInterval(Math.min(delivered, trials), trials);
    return [
      {
        snrDb: floorDb + POINTS_FROM_DB + i + 0.5,
        trials,
        delivered: Math.min(1, delivered / trials),
        low,
        high,
      },
    ];
  });
}

/** One missed frame, by the chance that it had each SNR given that it was missed. */
function spreadMissed(
  { around, shift, extraVariance }: ThresholdTrial,
  { base, follow, sigma }: SeriesLevel,
  { threshold, width, asymptote }: ThresholdFit,
  missed: number[],
): void {
  const mean = base + follow * around + shift;
  const spread = Math.sqrt(sigma ** 2 + extraVariance);
  const step = 1 / GRID_A_POINT;
  const weights: [number, number][] = [];
  let total = 0;
  // Also beyond the drawing: what lies there is not drawn, nor pressed into its edges.
  for (let x = mean - 5 * spread; x <= mean + 5 * spread; x += step) {
    const z = (x - mean) / spread;
    const read = asymptote / (1 + Math.exp((-1.702 * (x - threshold)) / width));
    const weight = Math.exp(-(z * z) / 2) * (1 - read);
    weights.push([x, weight]);
    total += weight;
  }
  for (const [x, weight] of weights) {
    const at = Math.floor(x - POINTS_FROM_DB);
    if (missed[at] !== undefined) missed[at] += weight / total;
  }
}
