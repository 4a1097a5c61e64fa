/**
 * Which channels were the lost frames on? A node that hops over more channels than the gateway listens to loses a fixed
 * share of its frames whatever their strength: as many as the channels it is never heard on. A channel that is
 * disturbed loses its share for everyone instead.
 */

import type { SceneReception, Stretch } from "../../model/scene.ts";
import { binomialPmf } from "../../statistics/binomial.ts";
import { lag1Autocorrelation } from "../../statistics/effective-sample-size.ts";
import { median } from "../../statistics/robust.ts";
import { decibel, percent } from "../standing.ts";
import { subBandMismatch } from "../sub-band-mismatch.ts";
import { clampWeight, type EvidencePiece } from "./evidence.ts";
import { isIn, known, type Sight } from "./sight.ts";

/** Counters from which a ratio tells one number of channels from the next. */
const LEAST_COUNTERS = 24;
/** A dynamic plan has at most 16 channels (LoRaWAN 1.0.x, CFList and NewChannelReq); fixed plans 64 of 125 kHz, 72 in all. */
const MOST_DYNAMIC = 16;
const FIXED = [64, 72] as const;

export function channelEvidence(sight: Sight): EvidencePiece[] {
  const { scene } = sight;
  const [home] = scene.homes;
  if (home === undefined || scene.gap.kind === "silence" || sight.missed === 0) return [];
  const receptions = scene.receptions.filter(({ gatewayId }) => gatewayId === home.id);
  const restsOn = { ...scene.within, ofNode: true, gatewayEui: home.eui };
  return [
    ...ratioPieces(sight).map((piece) => ({ ...piece, restsOn })),
    ...shareOfAll(sight, receptions, { ...restsOn, ofNode: false }),
  ];
}

type Piece = Omit<EvidencePiece, "restsOn">;

/** Does the share that was heard fit a number of channels of which the gateway hears some? */
function ratioPieces(sight: Sight): Piece[] {
  const { missed, heard, ownWithin } = sight;
  const counters = missed + heard;
  if (counters < LEAST_COUNTERS || heard < 4) return [];
  const counts = countsOf(ownWithin.map(({ frequencyHz }) => frequencyHz));
  // A channel heard once among a hundred is a stray.
  const channels = [...counts.values()].filter((count) => count >= 0.03 * heard).length;
  if (channels === 0) return [];
  const margins = known(ownWithin.map(({ marginDb }) => marginDb));
  const margin = median(margins);
  const fixed = subBandMismatch(heard, counters, margin);
  if (fixed.mismatch && channels >= 5) {
    return [
      {
        sentence: `It was heard on ${channels} channels with ${percent(heard / counters)} of its counters, the share of 8 channels in 64, at a median margin of ${decibel(margin ?? 0)}.`,
        lane: "channels",
        weights: {
          "channel-mismatch": 5,
          "weak-link": -2,
          congestion: -2,
          interference: -1.5,
          "gateway-transmitting": -2,
        },
      },
    ];
  }
  const best = bestUsed(channels, heard, counters);
  const rho = lag1Autocorrelation(lossSequence(sight));
  const runs = rho !== null && rho > 3 / Math.sqrt(counters);
  if (best === null) {
    return [
      {
        sentence: `It was heard on ${channels} channels with ${percent(heard / counters)} of its counters: no number of channels accounts for that share.`,
        lane: "channels",
        weights: { "channel-mismatch": -4 },
      },
    ];
  }
  return [
    {
      sentence: `It was heard on ${channels} channels with ${percent(heard / counters)} of its counters, the share of ${channels} channels in ${best.used}; its losses ${runs ? "come in runs, which hopping does not explain" : "are scattered as by hopping"}.`,
      lane: "channels",
      weights: { "channel-mismatch": clampWeight(best.weight + (runs ? -3 : 0.7)) },
    },
  ];
}

/** The number of channels used that fits best, with how much better than any share at all; null: none does. */
function bestUsed(
  channels: number,
  heard: number,
  counters: number,
): { used: number; weight: number } | null {
  const candidates = [
    ...Array.from({ length: Math.max(0, MOST_DYNAMIC - channels) }, (_, i) => channels + 1 + i),
    ...(channels >= 5 ? FIXED : []),
  ];
  const fits = candidates.map((used) => ({ used, p: binomialPmf(heard, counters, channels / used) }));
  if (fits.length === 0) return null;
  // Against a share that may be anything: each of 0 to n is as likely.
  const mean = fits.reduce((sum, { p }) => sum + p, 0) / fits.length;
  const best = fits.reduce((a, b) => (b.p > a.p ? b : a));
  const weight = Math.log(mean * (counters + 1));
  // Eight channels are what a dynamic plan usually has in all (three of the region and five of the join-accept).
  const usual = channels < 8 ? 1 : 0;
  return weight < -2 ? null : { used: best.used, weight: Math.min(3, weight + usual) };
}

/** Every counter of the gap in order, 1 where it was missed. */
function lossSequence({ ownWithin }: Sight): number[] {
  const sequence: number[] = [];
  ownWithin.forEach(({ counter }, i) => {
    const before = ownWithin[i - 1];
    if (before !== undefined)
      for (let k = before.counter + 1; k < counter && sequence.length < 5_000; k++) sequence.push(1);
    sequence.push(0);
  });
  return sequence;
}

/** A channel whose share of what is heard fell: for everyone, or for this node alone. */
function shareOfAll(
  sight: Sight,
  receptions: readonly SceneReception[],
  restsOn: EvidencePiece["restsOn"],
): EvidencePiece[] {
  const { before, within, gap } = sight.scene;
  const heard = receptions.filter(({ counter }) => counter !== null);
  const then = countsIn(heard, before);
  // Others were still heard everywhere until the trouble began, some time after this node's last frame.
  const edgeUs = 0.12 * (within.toUs - within.fromUs);
  const inner = { fromUs: within.fromUs + edgeUs, toUs: within.toUs - edgeUs };
  const now = countsIn(heard, inner);
  const lost = deficits(then, now);
  if (lost !== null) {
    const stray = countsIn(receptions, inner);
    const left = lost.channels.reduce((total, channel) => total + (stray.get(channel) ?? 0), 0);
    const retuned = left === 0 && restartedAtBegin(sight);
    const weights = retuned ? RETUNED : lostChannelWeights(lost, left);
    return [
      {
        sentence: `${lost.channels.length === 1 ? "One channel" : `${lost.channels.length} channels`} of ${then.size} fell from ${percent(lost.shareThen)} to ${percent(lost.shareNow)} of what all nodes were heard on${left === 0 ? ": nothing at all is heard there any more" : ""}${retuned ? ", and the gateway's counter began anew as that began" : ""}.`,
        lane: "channels",
        restsOn,
        weights,
        ...(left === 0 && !retuned ? { leavesOpen: ["interference", "channel-mismatch"] as const } : {}),
      },
    ];
  }
  const ownLost = deficits(
    countsOf(sight.ownBefore.map(({ frequencyHz }) => frequencyHz)),
    countsOf(sight.ownWithin.map(({ frequencyHz }) => frequencyHz)),
  );
  if (ownLost === null) return [];
  const others = heard.filter(({ lifeId }) => lifeId !== gap.lifeId);
  const goOn = stillHeard(countsIn(others, before), countsIn(others, within), ownLost.channels);
  return [
    {
      sentence: `This node alone is heard no more on ${ownLost.channels.length} of its channels, which carried ${percent(ownLost.shareThen)} of its frames before${goOn ? "; others are still heard there" : ""}.`,
      lane: "channels",
      restsOn,
      weights: goOn ? { "channel-mismatch": 2, interference: -1, "weak-link": -1 } : { interference: 0.5 },
    },
  ];
}

/** A gateway takes on other channels with its configuration, at a start: the concentrator's counter begins anew then. */
const RETUNED = { "channel-mismatch": 4, interference: -3, "weak-link": -1.5, congestion: -1.5 } as const;

/** Whether a home gateway restarted within two intervals of where the loss begins. */
function restartedAtBegin({ scene: { homes, gap } }: Sight): boolean {
  const reachUs = 2 * (gap.rhythmUs ?? 600_000_000) + 300_000_000;
  return homes.some(({ restartsUs }) => restartsUs.some((atUs) => Math.abs(atUs - gap.fromUs) < reachUs));
}

/**
 * Channels that went for everyone. Noise lets the strongest through now and then, or lets them come broken; where
 * nothing at all is heard, a gateway that was set to other channels looks the same.
 */
function lostChannelWeights(lost: Deficit, left: number): EvidencePiece["weights"] {
  const weight = clampWeight(lost.z - 1, 3.5);
  const common = { "weak-link": -1.5, "gateway-transmitting": -2, congestion: -1.5 };
  return left > 0
    ? { ...common, interference: weight, "channel-mismatch": -weight }
    : { ...common, interference: weight, "channel-mismatch": weight };
}

/** Whether others are heard on some channels as much as before; false too when too few were to tell. */
function stillHeard(
  then: ReadonlyMap<number, number>,
  now: ReadonlyMap<number, number>,
  channels: readonly number[],
): boolean {
  const share = (counts: ReadonlyMap<number, number>) =>
    channels.reduce((total, channel) => total + (counts.get(channel) ?? 0), 0) / Math.max(1, sum(counts));
  return share(then) * sum(now) >= 6 && share(now) > 0.75 * share(then);
}

interface Deficit {
  readonly channels: readonly number[];
  readonly z: number;
  readonly shareThen: number;
  readonly shareNow: number;
}

/** Chosen: several channels are looked at, so more than the 2 of a single test. */
const LEAST_Z = 2.5;

/** Channels whose share fell to less than half, together significantly (normal approximation). */
function deficits(then: ReadonlyMap<number, number>, now: ReadonlyMap<number, number>): Deficit | null {
  const allThen = sum(then);
  const allNow = sum(now);
  if (allThen < 20 || allNow < 12) return null;
  const fallen = [...then].filter(
    ([channel, count]) =>
      count >= 0.04 * allThen && (now.get(channel) ?? 0) / allNow < 0.5 * (count / allThen),
  );
  if (fallen.length === 0 || fallen.length === then.size) return null;
  const shareThen = fallen.reduce((total, [, count]) => total + count, 0) / allThen;
  const heardNow = fallen.reduce((total, [channel]) => total + (now.get(channel) ?? 0), 0);
  const shareNow = heardNow / allNow;
  const sd = Math.sqrt(shareThen * (1 - shareThen) * (1 / allNow + 1 / allThen));
  const z = (shareThen - shareNow) / sd;
  return z > LEAST_Z ? { channels: fallen.map(([channel]) => channel), z, shareThen, shareNow } : null;
}

function countsIn(receptions: readonly SceneReception[], stretch: Stretch): Map<number, number> {
  return countsOf(receptions.filter(({ atUs }) => isIn(stretch, atUs)).map(({ frequencyHz }) => frequencyHz));
}

function countsOf(frequencies: readonly (number | null)[]): Map<number, number> {
  const counts = new Map<number, number>();
  for (const frequency of known(frequencies)) counts.set(frequency, (counts.get(frequency) ?? 0) + 1);
  return counts;
}

function sum(counts: ReadonlyMap<number, number>): number {
  return [...counts.values()].reduce((a, b) => a + b, 0);
}
