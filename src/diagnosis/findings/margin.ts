/**
 * Was the link itself too weak? Frames that are lost because they are weak leave witnesses: those that were heard come
 * with an SNR close to the demodulation floor. Also whether the signal fell with the gap, or had been falling before.
 */

import { isIn } from "../../model/time-range.ts";
import { demodulationFloorDb, linkMarginDb } from "../../radio/margin.ts";
import { mannKendall } from "../../statistics/rank-tests.ts";
import { median, quantile, robustSigma } from "../../statistics/robust.ts";
import { decibel, figure } from "../../words/format.ts";
import { clampWeight, type EvidencePiece, normalRatio } from "./evidence.ts";
import { known, type OwnFrame, type Sight, signalPowerDbm } from "./observations.ts";

/**
 * Where the 10th percentile of the margins of heard frames lies when losses come from weakness: at the floor, a knee of
 * a dB or two (SX1276 data sheet, Table 13, taken as a knee: losses up to 3 to 5 dB above it are common practice).
 */
const AT_THE_FLOOR = { mean: 0.8, sd: 1.6 };
/** and where it lies otherwise: anywhere. Chosen, wide. */
const ANYWHERE = { mean: 9, sd: 6 };
/** Frames from which a 10th percentile is believed; with fewer the least margin stands for it. */
const MIN_FRAMES = 6;
/** Fewer than that, and how strong all of them must be to speak, dB; two say half as much. Chosen. */
const FEW_FRAMES = 3;
const TWO_FRAMES = 2;
const STRONG_DB = 8;
/** A fall of the signal that is no mere fading, dB (half of what a step needs: two groups of frames are compared). */
const FALL_DB = 3;

export function marginEvidence(sight: Sight): EvidencePiece[] {
  const { scene, ownBefore, ownWithin, ownAfter } = sight;
  const restsOn = {
    fromUs: scene.before.fromUs,
    toUs: scene.after.toUs,
    ofNode: true,
    gatewayEui: null,
  };
  const pieces: EvidencePiece[] = [];
  const silent = scene.gap.kind === "silence";
  const around =
    ownWithin.length >= MIN_FRAMES
      ? ownWithin
      : [...ownBefore.slice(-5), ...ownWithin, ...ownAfter.slice(0, 5)];
  const margins = known(around.map(({ marginDb }) => marginDb));
  if (margins.length >= 3) {
    const low = margins.length >= MIN_FRAMES ? (quantile(margins, 0.1) ?? 0) : Math.min(...margins);
    const middle = median(margins) ?? 0;
    const ratio = normalRatio(Math.max(low, -1), AT_THE_FLOOR, ANYWHERE);
    // Frames heard within the gap are witnesses; those around a black-out only say what the link was like otherwise.
    const isWitnessed = ownWithin.length >= MIN_FRAMES;
    // An obstacle takes whatever margin there was; the larger that was, the less often.
    // A few strong ones among many lost are witnesses too: weakness lets none of them through so.
    const inside = known(ownWithin.map(({ marginDb }) => marginDb));
    const isStrong = !isWitnessed && inside.length >= TWO_FRAMES && Math.min(...inside) > STRONG_DB;
    // A thin link makes a total loss likelier, and does not make it: nothing that was heard speaks of the time within.
    const weight = isWitnessed
      ? clampWeight(ratio, 5)
      : isStrong
        ? inside.length < FEW_FRAMES
          ? -1
          : -2
        : low < 4
          ? 0.7
          : low < 12
            ? 0
            : -0.7;
    pieces.push({
      sentence: `${isWitnessed ? "Frames heard within the gap" : "The frames heard around it"} came with a median margin of ${decibel(middle)}, a tenth of them below ${decibel(low)} over the demodulation floor.`,
      lane: "margin",
      restsOn,
      weights: silent
        ? { "weak-link": clampWeight(weight, 2), "node-silent": low > 4 ? 0.5 : -0.5 }
        : {
            "weak-link": weight,
            // Hopping loses a fixed share, and seldom all; of a strong node little else does.
            "channel-mismatch": isWitnessed
              ? low > STRONG_DB
                ? 1.5
                : low > 4
                  ? 1
                  : -1
              : isStrong
                ? inside.length < FEW_FRAMES
                  ? 0
                  : 1
                : -1,
          },
    });
  }
  const fell = fallOf(...atOneGateway(sight));
  if (fell !== null) {
    pieces.push({
      sentence: `Its signal was ${decibel(fell.fallDb)} weaker in the gap than before (${figure(fell.count)} frames against ${figure(fell.countBefore)}).`,
      lane: "margin",
      restsOn,
      weights: {
        "weak-link": clampWeight(fell.fallDb / 2, 3),
        interference: -1,
        congestion: -0.5,
        "channel-mismatch": -1,
      },
    });
  } else if (ownWithin.length >= MIN_FRAMES && ownBefore.length >= MIN_FRAMES) {
    const [then, now] = atOneGateway(sight);
    pieces.push(steadySignal(then, now, restsOn));
  }
  const decline = declineOf(ownBefore);
  if (decline !== null) {
    pieces.push({
      sentence: `Its signal had been falling before, by ${decibel(decline)} over the last ${ownBefore.length} frames.`,
      lane: "margin",
      restsOn,
      weights: { "weak-link": 2, "node-silent": silent ? -0.5 : 0 },
    });
  }
  return pieces;
}

/**
 * The node's frames before, within and after, as the one gateway heard them that heard most within: where the best gateway hears no more,
 * those that are left hear the node as they always did.
 */
function atOneGateway({ scene, ownBefore, ownWithin, ownAfter }: Sight): [Powers, Powers, Powers] {
  const own = scene.receptions.filter(({ lifeId, repeat }) => lifeId === scene.gap.lifeId && !repeat);
  const [first] = scene.homes;
  if (first === undefined || scene.homes.length < 2) return [ownBefore, ownWithin, ownAfter];
  const heardBy = (gatewayId: number) =>
    own.filter((one) => one.gatewayId === gatewayId && isIn(scene.within, one.atUs)).length;
  const most = scene.homes.reduce((a, b) => (heardBy(b.id) > heardBy(a.id) ? b : a), first);
  const there = own
    .filter(({ gatewayId }) => gatewayId === most.id)
    .map(({ atUs, rssiDbm, snrDb, spreadingFactor }) => ({
      atUs,
      powerDbm: signalPowerDbm(rssiDbm, snrDb),
      marginDb: spreadingFactor === null ? null : linkMarginDb(snrDb, spreadingFactor),
    }));
  return [
    there.filter(({ atUs }) => atUs <= scene.within.fromUs),
    there.filter(({ atUs }) => atUs > scene.within.fromUs && atUs < scene.within.toUs),
    there.filter(({ atUs }) => isIn(scene.after, atUs)),
  ];
}

/** Signal power of the frames of the gap below that of the frames before; null when it did not fall, or too few. */
function fallOf(
  before: Powers,
  within: Powers,
  after: Powers,
): { fallDb: number; count: number; countBefore: number } | null {
  const then = powers(before);
  const inside = powers(within);
  // After a black-out the first frames tell whether the obstacle is still there.
  const now = inside.length >= 4 ? inside : [...inside, ...powers(after.slice(0, 4))];
  if (then.length < 5 || now.length < 4) return null;
  const fallDb = (median(then) ?? 0) - (median(now) ?? 0);
  const sigma = robustSigma([...then, ...now], 1) ?? 1;
  const errorDb = 1.25 * sigma * Math.sqrt(1 / then.length + 1 / now.length);
  return fallDb >= FALL_DB && fallDb > 3 * errorDb
    ? { fallDb, count: now.length, countBefore: then.length }
    : null;
}

function steadySignal(before: Powers, within: Powers, restsOn: EvidencePiece["restsOn"]): EvidencePiece {
  const change = (median(powers(within)) ?? 0) - (median(powers(before)) ?? 0);
  return {
    sentence: `Its signal was as strong as before (${decibel(Math.abs(change))} ${change < 0 ? "less" : "more"}).`,
    lane: "margin",
    restsOn,
    // A link that had no margin before loses frames at the strength that it always had.
    weights: isEdge(before) ? {} : { "weak-link": Math.abs(change) < 2 ? -1 : -0.3 },
  };
}

/** Decline before the gap, dB, when the frames before it show a significant trend downwards. */
function declineOf(before: readonly OwnFrame[]): number | null {
  const series = powers(before.slice(-60));
  if (series.length < 12) return null;
  const third = Math.floor(series.length / 3);
  const fall = (median(series.slice(0, third)) ?? 0) - (median(series.slice(-third)) ?? 0);
  const { p } = mannKendall(series);
  return fall >= FALL_DB && p !== null && p < 0.001 ? fall : null;
}

type Powers = readonly (Pick<OwnFrame, "powerDbm"> & Partial<Pick<OwnFrame, "marginDb">>)[];

/**
 * Median margin below which a link loses frames steadily, dB: the knee of the error rate is a dB or two wide and fading moves
 * single frames by more (see AT_THE_FLOOR; common practice, no source for the figure).
 */
const EDGE_MARGIN_DB = 3;

/** Whether these frames were heard at the edge of what the receiver can demodulate. False where no margin is known. */
export function isEdge(frames: Powers): boolean {
  const middle = median(known(frames.map(({ marginDb = null }) => marginDb)));
  return middle !== null && middle < EDGE_MARGIN_DB;
}

function powers(frames: Powers): number[] {
  return known(frames.map(({ powerDbm }) => powerDbm));
}

// Did the node change to a faster data rate with the gap? The network asks for it (LinkADRReq), and every step from one
// spreading factor to the next takes some 2.5 dB of reach: what was enough before may not be now.

/** Frames from which the usual spreading factor of a stretch is known. */
const MIN_STEP_FRAMES = 4;
/** A median margin that leaves no room for fading, dB. Common practice, no source: 5 dB is asked of a sound link. */
const LITTLE_MARGIN_DB = 5;

export function dataRateEvidence(sight: Sight): EvidencePiece[] {
  const { scene, ownBefore, ownWithin, ownAfter } = sight;
  if (scene.gap.kind === "silence") return [];
  const now = ownWithin.length >= MIN_STEP_FRAMES ? ownWithin : [...ownWithin, ...ownAfter.slice(0, 6)];
  const then = usualFactor(ownBefore);
  const since = usualFactor(now);
  if (then === null || since === null || since >= then) return [];
  const floors = [demodulationFloorDb(since), demodulationFloorDb(then)];
  const [sinceDb, thenDb] = floors;
  if (sinceDb === null || sinceDb === undefined || thenDb === null || thenDb === undefined) return [];
  const margin = median(known(now.map(({ marginDb }) => marginDb)));
  if (margin === null) return [];
  const isLittle = margin < LITTLE_MARGIN_DB;
  return [
    {
      sentence: `It sends at SF${since} since, at SF${then} before: that takes ${decibel(sinceDb - thenDb)} of its margin and leaves ${decibel(margin)}.`,
      lane: "margin",
      restsOn: { fromUs: scene.before.fromUs, toUs: scene.after.toUs, ofNode: true, gatewayEui: null },
      weights: { "weak-link": isLittle ? 1.5 : -0.3 },
    },
  ];
}

/** The spreading factor of most of the frames; null where there are too few, or none has most. */
function usualFactor(frames: readonly OwnFrame[]): number | null {
  const factors = known(frames.map(({ spreadingFactor }) => spreadingFactor));
  if (factors.length < MIN_STEP_FRAMES) return null;
  const middle = median(factors) ?? 0;
  return factors.filter((factor) => factor === middle).length > factors.length / 2 ? middle : null;
}
