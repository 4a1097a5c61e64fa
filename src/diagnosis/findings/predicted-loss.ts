/**
 * Does what was on the air predict a loss of that size? Congestion: what the channels carried predicts a share of
 * collisions (pure ALOHA with mixed lengths, same channel and spreading factor). The gateway's own transmissions: while
 * it sends, it is deaf. Either explains a loss of the size that it predicts and no other.
 */
import type { SceneReception } from "../../model/gap.ts";
import { isIn, lengthUs, type TimeRange } from "../../model/time-range.ts";
import { DEAF_SHARE_WARNING, deafShare } from "../../radio/occupancy.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { rankSum } from "../../statistics/rank-tests.ts";
import { figure, percentInWords } from "../../words/format.ts";
import { atItsRate, countedIn } from "./company.ts";
import { clampWeight, type EvidencePiece, normalRatio, onGap, type Piece } from "./evidence.ts";
import { lossOver, type OwnFrame, type Sight } from "./observations.ts";

/**
 * Logarithm of observed over predicted loss when congestion is the cause: capture saves some, frames that nobody heard
 * add some, so about 1 with a factor of two either way; otherwise anything above.
 */
const BY_COLLISIONS = { mean: 0.1, sd: 0.7 };
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
    normalRatio(Math.max(ratio, -0.5), BY_COLLISIONS, UNEXPLAINED) + (ratio < 1.2 ? rarityOfLoad(now) : 0),
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
function rarityOfLoad(collisions: number): number {
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
  const sharing = atItsRate(sight);
  const atOthers = sight.neighbours.filter((one) => !sharing.includes(one));
  const same = countedIn(sharing, sight.scene.within, sight);
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

// Did the gateway talk when it should have listened? A half-duplex gateway is deaf on all channels while it transmits:
// what it sent predicts a share of loss, and missed frames fall into its transmissions more often than chance.

/** Logarithm of observed over predicted loss, when deafness is the cause and when it is not (as for collisions). */
const BY_DEAFNESS = { mean: 0, sd: 0.6 };
/**
 * Airtime of a downlink that only a count tells of: 20 octets at SF9 in 125 kHz. Chosen, an estimate and said to be one.
 * It may be as long as 51 octets and 13 of its frame at SF12 (LoRaWAN regional parameters, the most there in EU863-870).
 */
const TYPICAL_DOWNLINK_US = 185_000;
const MAX_DOWNLINK_US = 2_800_000;

export function transmitEvidence(sight: Sight): EvidencePiece[] {
  const { scene, lossWithin } = sight;
  const [home] = scene.homes;
  if (home === undefined) return [];
  if (scene.gap.kind === "silence") return scene.gap.open ? deafThroughout(sight) : [];
  if (sight.missed === 0) return [];
  const inside = home.transmissions.filter((one) => isIn(scene.within, one.fromUs));
  const airtimeUs = sight.own[0]?.airtimeUs ?? 60_000;
  const emitted = home.reports.reduce(
    (sum, { atUs, emitted }) => sum + (isIn(scene.within, atUs) ? (emitted ?? 0) : 0),
    0,
  );
  if (inside.length === 0 && emitted === 0) {
    const tells = home.reports.some(({ emitted: count, atUs }) => count !== null && isIn(scene.within, atUs));
    return onGap(scene, [
      {
        sentence: tells
          ? "The gateway reports no transmission of its own within the gap."
          : "No transmission of the gateway is known of.",
        lane: "transmissions",
        weights: { "gateway-transmitting": tells ? -4 : -1.5 },
      },
    ]);
  }
  // Reports count what was sent; where they count more than is known in detail, the rest is estimated.
  const hidden = Math.max(0, emitted - inside.length);
  const lengths = [
    ...inside.map(lengthUs),
    ...Array.from({ length: Math.min(hidden, 100_000) }, () => TYPICAL_DOWNLINK_US),
  ];
  const predicted = deafShare(lengths, airtimeUs, lengthUs(scene.within));
  if (hidden > inside.length) return onGap(scene, [countedPiece(sight, emitted, airtimeUs)]);
  const ratio = lossOver(sight, predicted);
  // A gateway that seldom listens is met seldom, and what it is deaf to it loses whatever else is wrong.
  const weight = clampWeight(
    normalRatio(Math.max(ratio, -0.5), BY_DEAFNESS, UNEXPLAINED) + rarityOfDeafness(predicted),
    5,
  );
  const pieces: Piece[] = [
    {
      sentence: `The gateway transmitted ${figure(Math.max(inside.length, emitted))} times within the gap and was deaf to ${percentInWords(predicted)} of this node's frames by that${hidden > inside.length ? " (lengths estimated)" : ""}; it lost ${percentInWords(lossWithin)}.`,
      lane: "transmissions",
      weights: {
        "gateway-transmitting": predicted < DEAF_SHARE_WARNING ? Math.min(weight, -1) : weight,
        // A loss that is accounted for needs no second cause.
        ...(weight > 1 && predicted >= DEAF_SHARE_WARNING
          ? { "channel-mismatch": -weight, interference: -weight, congestion: -0.5 * weight }
          : {}),
      },
    },
  ];
  const overlap = overlapPiece(sight, inside);
  if (overlap !== null) pieces.push(overlap);
  return onGap(scene, pieces);
}

/** Deafness that leaves no chance to a node, whatever it sends. */
const DEAF_THROUGHOUT = 0.9;

/** A silence that goes on tells nothing of what was sent; a gateway that is deaf nearly all the time explains it all the same. */
function deafThroughout({ scene, own }: Sight): EvidencePiece[] {
  const { within } = scene;
  const [home] = scene.homes;
  const inside = home?.transmissions.filter((one) => isIn(within, one.fromUs)) ?? [];
  const deaf = deafShare(inside.map(lengthUs), own[0]?.airtimeUs ?? 60_000, lengthUs(within));
  if (home === undefined || deaf < DEAF_THROUGHOUT) return [];
  return onGap(scene, [
    {
      sentence: `The gateway transmitted ${inside.length === 1 ? "once" : `${figure(inside.length)} times`} meanwhile and was deaf to ${percentInWords(deaf)} of this node's frames by that.`,
      lane: "transmissions",
      weights: { "gateway-transmitting": 6, interference: -3, "node-silent": -2 },
    },
  ]);
}

/** How much less often a gateway transmits so much than is worth a word, in logarithms: seldom above one or two percent. Chosen. */
function rarityOfDeafness(deaf: number): number {
  return Math.min(2.5, Math.max(0, Math.log(deaf / 0.03)));
}

/** Only a count is known: could so many have been long enough, and were there more than before? */
function countedPiece(
  { scene, lossWithin, lossRange: { low: least } }: Sight,
  emitted: number,
  airtimeUs: number,
): Piece {
  const { within, before, homes } = scene;
  const ofCount = (eachUs: number) => Math.min(1, (emitted * (eachUs + airtimeUs)) / lengthUs(within));
  const most = ofCount(MAX_DOWNLINK_US);
  const typical = ofCount(TYPICAL_DOWNLINK_US);
  const earlier = (homes[0]?.reports ?? []).filter(
    ({ atUs, emitted: count }) => count !== null && isIn(before, atUs),
  );
  const then = earlier.reduce((sum, one) => sum + (one.emitted ?? 0), 0);
  const thenUs = earlier.length < 5 ? null : lengthUs(before);
  const rate = emitted / lengthUs(within);
  const rose = thenUs !== null && rate > 3 * (then / thenUs) + 20 / 3_600_000_000;
  const before3 = thenUs === null ? "" : `, ${figure(Math.round((then / thenUs) * 3.6e9))} an hour before`;
  const weights: Partial<
    Record<"gateway-transmitting" | "interference" | "congestion" | "channel-mismatch", number>
  > =
    most < 0.7 * least
      ? { "gateway-transmitting": -4 }
      : rose
        ? {
            "gateway-transmitting": typical > 0.25 * least ? 4 : 3,
            interference: typical > 0.25 * least ? -4 : -2,
            congestion: -1,
            "channel-mismatch": -2,
          }
        : typical > 0.3 * least
          ? {
              "gateway-transmitting": 0.5 + rarityOfDeafness(typical),
              interference: -rarityOfDeafness(typical),
            }
          : { "gateway-transmitting": -1 };
  return {
    sentence: `The gateway reports ${figure(emitted)} transmissions within the gap, ${figure(Math.round(rate * 3.6e9))} an hour${before3}; by their length, which it does not report, they made it deaf to ${percentInWords(typical)} of this node's frames or up to ${percentInWords(most)}. It lost ${percentInWords(lossWithin)}.`,
    lane: "transmissions",
    weights,
  };
}

/** Transmissions around the moments of missed and of heard frames: are they denser around the missed ones? */
function overlapPiece(sight: Sight, transmissions: readonly TimeRange[]): Piece | null {
  const { scene } = sight;
  if (transmissions.length < 10 || sight.missedAtUs.length < 8 || sight.ownWithin.length < 8) return null;
  const reachUs = Math.min(20_000_000, Math.max(1_000_000, 0.02 * (scene.gap.rhythmUs ?? 60_000_000)));
  const density = (atUs: number) =>
    transmissions.reduce((sum, { fromUs, toUs }) => {
      const overlap = Math.min(toUs, atUs + reachUs) - Math.max(fromUs, atUs - reachUs);
      return overlap > 0 ? sum + overlap : sum;
    }, 0) /
    (2 * reachUs);
  const missed = sight.missedAtUs
    .filter((atUs) => isIn(scene.within, atUs))
    .slice(0, 300)
    .map(density);
  const heard = sight.ownWithin.slice(0, 300).map(({ atUs }) => density(atUs));
  const { p } = rankSum(missed, heard, { alternative: "greater", exact: false });
  const mean = (values: readonly number[]) => values.reduce((a, b) => a + b, 0) / Math.max(1, values.length);
  const [atMissed, atHeard] = [mean(missed), mean(heard)];
  if (p === null || p > 0.01 || atMissed < 1.3 * atHeard) return null;
  return {
    sentence: `Around the missed frames the gateway transmitted ${percentInWords(atMissed)} of the time, around the heard ones ${percentInWords(atHeard)}.`,
    lane: "transmissions",
    weights: { "gateway-transmitting": p < 1e-4 ? 4 : 2.5 },
  };
}
