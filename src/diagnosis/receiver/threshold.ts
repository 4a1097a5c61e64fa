/**
 * Down to which SNR does this gateway's receiver demodulate, measured from traffic?
 *
 * **What is fitted.** Each frame that was surely sent while the gateway listened is a trial of its receiver: heard with
 * an SNR, or missed with none. The SNR of a missed one is never guessed. It is integrated over what the node's frames
 * around it say: one soft threshold for all trials of a spreading factor, with errors in the predictor
 * (src/statistics/soft-threshold.ts). The level of half delivery then stands beside the data sheet's floor.
 *
 * **Which trials.** `others`: frames that another gateway heard. That a frame was sent is then certain, and the other's
 * luck is no part of this one's. `alone`: every counter between the first and the last heard of a life; the missed ones
 * are known by number only, so their channel is not known (its variance is added), and the weak end of the readings and
 * the count of what is missing must agree on one threshold.
 *
 * **Losses that are not of level.** Outages, time that nobody recorded, the gateway's own transmissions, channels that it
 * does not listen to are left out by who asks. Left out here: runs of misses that levels do not explain (a hung radio, a
 * lost path). What remains, as collisions and lost datagrams, takes the same share of strong and weak frames: an
 * asymptote below 1 is fitted, and half delivery means half of it.
 *
 * **What an SNR can tell, and what it cannot.** A demodulator that needs 3 dB more shows as a threshold 3 dB higher. A
 * noise figure 3 dB worse, or an antenna 3 dB weaker, lowers the SNR of every frame and leaves delivery at an SNR as it
 * was: this measure does not see it. That shows only against another gateway (noise.ts beside, and the bench's
 * reference). A reported SNR that is off by a constant moves the threshold by as much; traffic cannot tell it from the
 * demodulator. Interference in bursts that the frames around do not show looks like losses of no level.
 */
import { demodulationFloorDb } from "../../radio/margin.ts";
import { softThreshold, type ThresholdFit } from "../../statistics/soft-threshold.ts";
import {
  type Basis,
  CEILING_DB,
  type DeliveryPoint,
  type PreparedSeries,
  pointsOf,
  prepared,
  type ReceiverSeries,
  withoutSilences,
} from "./trials.ts";

export interface ReceiverEvidence {
  readonly series: readonly ReceiverSeries[];
  /** How much better or worse than the mean of all a channel's SNR is, dB, from its noise; 0 where not in the map. */
  readonly channelShiftsDb: ReadonlyMap<number, number>;
}

/** Level of half delivery over the data sheet's floor, dB, with its 95 % interval. */
export interface Offset {
  readonly offsetDb: number;
  readonly lowDb: number;
  readonly highDb: number;
}

export interface FactorMeasure {
  readonly spreadingFactor: number;
  readonly floorDb: number;
  readonly nodes: number;
  readonly trials: number;
  readonly missed: number;
  /** null: not enough yet; why, stands in `lack`. */
  readonly level:
    | (Offset & { readonly levelDb: number; readonly widthDb: number; readonly asymptote: number })
    | null;
  readonly lack: Lack | null;
  readonly points: readonly DeliveryPoint[];
}

/**
 * Why nothing is said yet: no node's frames are enough, or all are far above the floor; too few were missed, or none
 * read near the threshold; the interval is too wide; or what is lost does not go with the level.
 */
export type Lack = "few frames" | "too strong" | "few missed" | "none near" | "too wide" | "not of level";

export type ReceiverVerdict = "deaf" | "sound" | "open" | "not enough";

export interface ReceiverMeasure {
  readonly basis: Basis;
  readonly verdict: ReceiverVerdict;
  /** All spreading factors together; null: not enough yet. */
  readonly overall: Offset | null;
  readonly lack: Lack | null;
  readonly factors: readonly FactorMeasure[];
  /** Trials left out because nothing at all was heard for too long. */
  readonly leftOut: number;
}

/** Half delivery so far above the floor, with certainty, is a deaf receiver. Chosen: boards differ by less. */
export const DEAF_FROM_DB = 1;
/** Half of the interval of all together, and of one spreading factor, that still says something, dB. Chosen. */
const MAX_HALF_DB = 1.5;
/**
 * Spread of one reading about the true SNR: quarters of a dB, and what the estimate of one frame strays. Chosen, no
 * source; the interval takes in what the threshold would be at either end.
 */
const READING_SIGMA_DB = { usual: 0.6, ends: [0.3, 0.9] } as const;
/**
 * What else is not known better, dB: fading is not quite normal, the knee not quite a normal's. From 30 drawn sites with
 * steady and scattered fading (Rician), whose thresholds came out 0.1 dB too high.
 */
const SHAPE_DB = 0.1;
/**
 * By how much one node's figure strays from the receiver's, dB, as a standard deviation: its place, its channels and its
 * weather are its own. From the open receptions (tests/published/receiver-open.test.ts): the four quarters of one
 * indoor node at its best gateway gave 8.7, 8.6, 8.1 and 7.8 dB below 0, a spread of 0.42 dB. Between nodes it averages.
 */
const NODE_SIGMA_DB = 0.42;
/** Standard deviations of a 95 % interval. */
const Z_95 = 1.96;
/** Width of the knee as the spread of a normal: see src/statistics/censored.ts. */
const USUAL_WIDTH_DB = 1.28;
/** Nodes whose middle frame lies further above the floor never come near the threshold. Chosen. */
const MAX_MARGIN_DB = 12;
const MAX_SERIES = 30;
/** Trials of one answer: about a second of work; shared between the series, each with its newest. */
const MAX_TRIALS = 6_000;
/** Frames that were missed, and readings within 1.5 dB of the threshold or below, without which nothing is said. Chosen. */
const MIN_MISSED = 15;
const MIN_NEAR = 10;
const NEAR_DB = 1.5;
/** Where more is lost at any level, or over so wide a range of levels, level is not what decides. Chosen. */
const MIN_ASYMPTOTE = 0.6;
const MAX_WIDTH_DB = 2.5;

/**
 * The measure from frames that others heard, else from counters alone; "not enough" with what there is where neither
 * tells.
 */
export function measureReceiver(evidence: ReceiverEvidence): ReceiverMeasure {
  const byOthers = measureBy(evidence, "others");
  if (byOthers.overall !== null) return byOthers;
  const alone = measureBy(evidence, "alone");
  if (alone.overall !== null) return alone;
  return byOthers.factors.some(({ trials }) => trials > 0) ? byOthers : alone;
}

function measureBy({ series, channelShiftsDb }: ReceiverEvidence, basis: Basis): ReceiverMeasure {
  const cut = withoutSilences(series, basis);
  const able = cut.series
    .flatMap((one) => prepared(one, basis, channelShiftsDb))
    .sort((a, b) => a.marginDb - b.marginDb);
  const weak = able.filter(({ marginDb }) => marginDb <= MAX_MARGIN_DB).slice(0, MAX_SERIES);
  const most = Math.floor(MAX_TRIALS / Math.max(1, weak.length));
  const usable = weak.map((one) => ({ ...one, trials: one.trials.slice(-most) }));
  const whole = fitOf(usable);
  const widthDb = whole.fit?.width ?? USUAL_WIDTH_DB;
  const spreadingFactors = [...new Set(usable.map(({ spreadingFactor }) => spreadingFactor))].sort(
    (a, b) => a - b,
  );
  return {
    basis,
    verdict: verdictOf(whole.offset),
    overall: whole.offset,
    lack: usable.length === 0 && able.length > 0 ? "too strong" : whole.lack,
    factors: spreadingFactors.map((spreadingFactor) => {
      const own = usable.filter((one) => one.spreadingFactor === spreadingFactor);
      return factorOf(spreadingFactor, own, spreadingFactors.length === 1 ? whole : fitOf(own, widthDb));
    }),
    leftOut: cut.leftOut,
  };
}

function verdictOf(overall: Offset | null): ReceiverVerdict {
  if (overall === null) return "not enough";
  if (overall.lowDb > DEAF_FROM_DB) return "deaf";
  return overall.highDb <= 2 * DEAF_FROM_DB ? "sound" : "open";
}

// The fits: all spreading factors on one scale, and each by itself.

interface Fitted {
  /** null: nothing to fit, or no peak. */
  readonly fit: ThresholdFit | null;
  readonly offset: Offset | null;
  readonly lack: Lack | null;
}

/** Without an offset when the data do not reach the threshold, or say too little of it. */
function fitOf(usable: readonly PreparedSeries[], widthDb = USUAL_WIDTH_DB): Fitted {
  const nothing = (lack: Lack, fit: ThresholdFit | null = null) => ({ fit, offset: null, lack });
  const trials = usable.flatMap((one) => one.trials);
  if (trials.length === 0) return nothing("few frames");
  if (trials.filter(({ reading }) => reading === null).length < MIN_MISSED) return nothing("few missed");
  // On the scale of margins the ceiling differs by spreading factor: the lowest of them.
  const ceiling = usable.reduce(
    (least, { floorDb }) => Math.min(least, CEILING_DB - floorDb),
    Number.POSITIVE_INFINITY,
  );
  const at = (readingSigma: number) =>
    softThreshold(
      usable.map((one) => one.trials),
      { ceiling, readingSigma, start: { threshold: 0, width: widthDb } },
    );
  const fit = at(READING_SIGMA_DB.usual);
  // No peak: the data leave the threshold open.
  if (fit === null) return nothing("too wide");
  const { threshold, low, high, asymptote, width } = fit;
  if (asymptote < MIN_ASYMPTOTE || width > MAX_WIDTH_DB) return nothing("not of level", fit);
  const near = trials.filter(({ reading }) => reading !== null && reading <= threshold + NEAR_DB).length;
  if (near < MIN_NEAR) return nothing("none near", fit);
  if ((high - low) / 2 > MAX_HALF_DB) return nothing("too wide", fit);
  const strays = READING_SIGMA_DB.ends.map((sigma) => {
    const end = at(sigma);
    return end === null ? Number.POSITIVE_INFINITY : Math.abs(end.threshold - threshold);
  });
  const ofNodes = NODE_SIGMA_DB / Math.sqrt(new Set(usable.map(({ node }) => node)).size);
  const halfDb = Math.hypot((high - low) / 2, Math.max(...strays) + SHAPE_DB, Z_95 * ofNodes);
  if (halfDb > MAX_HALF_DB) return nothing("too wide", fit);
  return {
    fit,
    offset: { offsetDb: threshold, lowDb: threshold - halfDb, highDb: threshold + halfDb },
    lack: null,
  };
}

function factorOf(
  spreadingFactor: number,
  usable: readonly PreparedSeries[],
  { fit, offset, lack }: Fitted,
): FactorMeasure {
  const floorDb = demodulationFloorDb(spreadingFactor) ?? 0;
  const trials = usable.flatMap((one) => one.trials);
  return {
    spreadingFactor,
    floorDb,
    nodes: new Set(usable.map(({ node }) => node)).size,
    trials: trials.length,
    missed: trials.filter(({ reading }) => reading === null).length,
    level:
      fit === null || offset === null
        ? null
        : { ...offset, levelDb: floorDb + offset.offsetDb, widthDb: fit.width, asymptote: fit.asymptote },
    lack,
    points: fit === null ? [] : pointsOf(usable, fit, floorDb),
  };
}
