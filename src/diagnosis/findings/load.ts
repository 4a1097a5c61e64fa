/**
 * Were there simply too many frames? What the channels carried predicts a share of collisions (pure ALOHA with mixed
 * lengths, same channel and spreading factor): congestion explains a loss of that size and no other.
 */

import type { SceneReception } from "../../model/gap.ts";
import { isIn, lengthUs, type TimeRange } from "../../model/time-range.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { figure, percentInWords } from "../../words/format.ts";
import { atItsRate, countedIn } from "./company.ts";
import { clampWeight, type EvidencePiece, normalRatio, onGap, type Piece } from "./evidence.ts";
import { lossOver, type OwnFrame, type Sight } from "./observations.ts";

/**
 * Logarithm of observed over predicted loss when congestion is the cause: capture saves some, frames that nobody heard
 * add some, so about 1 with a factor of two either way; otherwise anything above.
 */
const EXPLAINED = { mean: 0.1, sd: 0.7 };
const UNEXPLAINED = { mean: 3, sd: 1.8 };
/** Below this share of collisions a channel counts as quiet: G of 0.025 by ALOHA. */
const MIN_PREDICTED = 0.05;

export function loadEvidence(sight: Sight): EvidencePiece[] {
  const { scene, lossWithin } = sight;
  const [home] = scene.homes;
  if (home === undefined || scene.gap.kind === "silence" || sight.missed === 0) return [];
  const receptions = scene.receptions.filter(({ gatewayId }) => gatewayId === home.id);
  const frames =
    sight.ownWithin.length >= 4
      ? sight.ownWithin
      : [...sight.ownBefore.slice(-20), ...sight.ownWithin, ...sight.ownAfter.slice(0, 20)];
  const now = predictedLoss(frames, receptions, scene.gap.lifeId, scene.within, lostByAll(sight));
  if (now === null) return [];
  const then = predictedLoss(frames, receptions, scene.gap.lifeId, scene.before, 0);
  const ratio = lossOver(sight, now);
  const weight = clampWeight(
    normalRatio(Math.max(ratio, -0.5), EXPLAINED, UNEXPLAINED) + (ratio < 1.2 ? rarity(now) : 0),
    5,
  );
  const rose = then !== null && now > 2 * then && now > 0.03 ? 1 : 0;
  // What was carried as well before, without such loss, is no cause now.
  const isAsBefore =
    then !== null &&
    lengthUs(scene.before) > 0 &&
    now < 1.3 * then &&
    scene.gap.kind !== "steady" &&
    !costBefore(sight, then);
  // Where it was as full before, this loss may be one of several that the crowd has cost.
  const asBefore = isAsBefore ? (now >= MIN_PREDICTED ? -0.5 : -1.5) : 0;
  return onGap(scene, [
    {
      sentence: `The traffic heard on its channels at its data rate predicts collisions for ${percentInWords(now)} of its frames${then === null ? "" : ` (${percentInWords(then)} before)`}; it lost ${percentInWords(lossWithin)}.`,
      lane: "load",
      weights: {
        congestion: clampWeight(weight + rose + asBefore),
        // A loss that is accounted for needs no second cause.
        ...(weight > 1 && now >= MIN_PREDICTED ? { "channel-mismatch": -weight, "weak-link": -0.5 } : {}),
      },
    },
    ...ofItsRate(sight, now, ratio < FITS),
  ]);
}

/** What those at its data rate tell: they alone lose, or they lose as much as the traffic takes. */
function ofItsRate(sight: Sight, predicted: number, fits: boolean): Piece[] {
  const alone = sameDataRate(sight);
  return alone.length > 0 || !fits ? alone : asPredicted(sight, predicted);
}

/** Counters from which the loss of those at the node's data rate is known. Chosen. */
const MIN_AT_RATE = 40;
/** A loss within this factor of the predicted one fits it: capture saves some, frames that nobody heard add some. */
const FITS = Math.log(2);

function atRate(sight: Sight, stretch: TimeRange, own: readonly OwnFrame[]) {
  const nodes = [...atItsRate(sight), { lifeId: 0, devAddr: 0, frames: own }];
  return countedIn(nodes, stretch, sight);
}

/** Whether those at the node's data rate, itself among them, lost before what the traffic of that time predicts. */
function costBefore(sight: Sight, predicted: number): boolean {
  const { missed, expected } = atRate(sight, sight.scene.before, sight.ownBefore);
  return expected >= MIN_AT_RATE && missed > 0.5 * predicted * expected;
}

/** The others at the node's data rate lose as many as the traffic predicts: what it lost is one of the crowd's losses. */
function asPredicted(sight: Sight, predicted: number): Piece[] {
  const { missed, expected } = atRate(sight, sight.scene.within, []);
  const { ratio, low, high } = wilsonInterval(missed, expected);
  if (expected < MIN_AT_RATE || predicted < MIN_PREDICTED || ratio === null) return [];
  if (low > 2 * predicted || high < 0.5 * predicted || ratio < MIN_PREDICTED) return [];
  return [
    {
      sentence: `Others at its data rate lost ${percentInWords(ratio)} of ${figure(expected)} counters, about what collisions take at that load.`,
      lane: "load",
      weights: { congestion: 1.5, "weak-link": -0.7, "channel-mismatch": -0.7 },
    },
  ];
}

/**
 * How much less often channels are met so full than nearly empty, in logarithms; below 0 where collisions take no more
 * than links lose otherwise. Chosen, no source.
 */
function rarity(collisions: number): number {
  return Math.min(2, Math.max(-2, Math.log(collisions / MIN_PREDICTED)));
}

/** Loss of all nodes within the gap: what was heard is so much less than what was on the air. */
function lostByAll(sight: Sight): number {
  const { missed, expected } = countedIn(sight.neighbours, sight.scene.within, sight);
  return expected < 30 ? 0 : Math.min(0.8, missed / expected);
}

/**
 * Chance that a frame of the node meets another on its channel and spreading factor: 1 - exp(-sum of rate x (own + other
 * airtime)), averaged over its frames. Null: nothing to go by.
 */
function predictedLoss(
  frames: readonly OwnFrame[],
  receptions: readonly SceneReception[],
  lifeId: number,
  stretch: TimeRange,
  lostShare: number,
): number | null {
  if (frames.length === 0 || lengthUs(stretch) < 60_000_000) return null;
  const others = new Map<string, { count: number; airtimeUs: number }>();
  for (const one of receptions) {
    if (one.lifeId === lifeId || one.frequencyHz === null || !isIn(stretch, one.atUs)) continue;
    const key = `${one.frequencyHz}/${one.dataRate}`;
    const sum = others.get(key) ?? { count: 0, airtimeUs: 0 };
    sum.count += 1;
    sum.airtimeUs += one.airtimeUs;
    others.set(key, sum);
  }
  const lengthen = 1 / (1 - lostShare) / lengthUs(stretch);
  const chances = frames.map(({ frequencyHz, dataRate, airtimeUs }) => {
    const sum = others.get(`${frequencyHz}/${dataRate}`);
    if (sum === undefined) return 0;
    return -Math.expm1(-(sum.count * airtimeUs + sum.airtimeUs) * lengthen);
  });
  return chances.reduce((a, b) => a + b, 0) / chances.length;
}

/** Collisions strike those who share the data rate; weakness and noise do not look at that. */
function sameDataRate(sight: Sight): Piece[] {
  const atRate = atItsRate(sight);
  const atOthers = sight.neighbours.filter((one) => !atRate.includes(one));
  const same = countedIn(atRate, sight.scene.within, sight);
  const other = countedIn(atOthers, sight.scene.within, sight);
  if (same.expected < 40 || other.expected < 40) return [];
  const a = same.missed / same.expected;
  const b = other.missed / other.expected;
  const sd = Math.sqrt((a * (1 - a)) / same.expected + (b * (1 - b)) / other.expected + 1e-6);
  if (a - b < 3 * sd || a < 2 * b || a < 0.04) return [];
  return [
    {
      sentence: `Others at its data rate lost ${percentInWords(a)} of ${figure(same.expected)} counters, those at other data rates ${percentInWords(b)} of ${figure(other.expected)}.`,
      lane: "load",
      weights: { congestion: 1.5, interference: -0.5, "gateway-transmitting": -0.5 },
    },
  ];
}
