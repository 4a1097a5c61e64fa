/**
 * Which channels were the lost frames on? A node that hops over more channels than the gateway listens to loses a fixed
 * share of its frames whatever their strength: as many as the channels it is never heard on. A channel that is
 * disturbed loses its share for everyone instead.
 */

import { isIn } from "../../model/time-range.ts";
import { binomialPmf } from "../../statistics/proportions.ts";
import { median } from "../../statistics/robust.ts";
import { lag1Autocorrelation } from "../../statistics/series.ts";
import { decibel, figure, percentInWords } from "../../words/format.ts";
import { subBandMismatch } from "../wrong-sub-band.ts";
import { type Counted, lossInCompany, withoutEdges } from "./company.ts";
import { clampWeight, type EvidencePiece, onGap, type Piece } from "./evidence.ts";
import { known, type Sight } from "./observations.ts";
import { heardChannels, shareOfAll } from "./silent-channels.ts";

// Does the share that was heard fit a number of channels of which the gateway hears some? A node that hops over more
// channels than the gateway listens to loses a fixed share of its frames whatever their strength.

/** Counters from which a share is compared with numbers of channels, and from which it is known how losses are scattered. Chosen. */
const MIN_COUNTERS = 12;
const MIN_SCATTERED = 24;
/**
 * A dynamic plan has at most 16 channels (LoRaWAN 1.0.x, CFList and NewChannelReq); of a fixed plan's 64 of 125 kHz, 72 in
 * all, a network takes on one sub-band of eight or more of them (LinkADRReq).
 */
const MAX_DYNAMIC = 16;
const FIXED = [24, 32, 40, 48, 56, 64, 72] as const;

/** Does the share that was heard fit a number of channels of which the gateway hears some? */
function ratioPieces(sight: Sight): Piece[] {
  const { missed, heard, ownWithin } = sight;
  const counters = missed + heard;
  const channels = channelsOf(sight);
  const subBand = subBandPiece(sight, channels);
  if (subBand !== null) return [subBand];
  const company = lossInCompany(sight);
  // What began or ended for all at once is no plan of theirs: the channels that fell speak of that.
  if (company === "begun" || company === "ended") return [];
  if (company !== null) return pooledRatio(company, sight);
  if (counters < MIN_COUNTERS || heard < MIN_HEARD || channels === 0) return [];
  const best = bestUsed(channels, heard, { counters, isFixed: isInFixedPlan(ownWithin) });
  const rho = lag1Autocorrelation(lossSequence(sight));
  const runs = rho !== null && rho > 3 / Math.sqrt(counters);
  if (best === null) {
    return [
      {
        sentence: `It was heard on ${channels} channels with ${percentInWords(heard / counters)} of its counters: no number of channels accounts for that share.`,
        lane: "channels",
        weights: { "channel-mismatch": -4 },
      },
    ];
  }
  return [
    {
      sentence: `It was heard on ${channels} channels with ${percentInWords(heard / counters)} of its counters, the share of ${channels} channels in ${best.used}; its losses ${runs ? "come in runs, which hopping does not explain" : "are scattered as by hopping"}.`,
      lane: "channels",
      weights: {
        "channel-mismatch": clampWeight(
          best.weight + (runs ? -3 : 0.7 * Math.min(1, counters / MIN_SCATTERED)),
        ),
      },
    },
  ];
}

/** Frames heard within a gap from which their share says something. */
const MIN_HEARD = 2;

/** Channels that the gateway hears the node on: few frames within the gap do not show all of them. */
function channelsOf({ ownBefore, ownWithin }: Sight): number {
  const within = heardChannels(ownWithin.map(({ frequencyHz }) => frequencyHz));
  return ownWithin.length >= 2 * within
    ? within
    : heardChannels([...ownBefore, ...ownWithin].map(({ frequencyHz }) => frequencyHz));
}

function isInFixedPlan(frames: Sight["own"]): boolean {
  return frames.every(({ frequencyHz }) => frequencyHz !== null && isOfFixedPlan(frequencyHz));
}

/** A fixed plan's eighth: one sub-band of eight is listened to. */
function subBandPiece({ missed, heard, ownWithin, ownBefore }: Sight, channels: number): Piece | null {
  const counters = missed + heard;
  const margin = median(known(ownWithin.map(({ marginDb }) => marginDb)));
  if (channels < 5 || !subBandMismatch(heard, counters, margin).mismatch) return null;
  if (!isInFixedPlan(ownWithin)) return null;
  // A session keeps its channels: who came through on one sub-band does not leave it of itself.
  const cameThrough = ownBefore.length >= KNOWN_BEFORE && lossIn(ownBefore) < 0.3;
  return {
    sentence: `It was heard on ${channels} channels with ${percentInWords(heard / counters)} of its counters, the share of 8 channels in 64, at a median margin of ${decibel(margin ?? 0)}.`,
    lane: "channels",
    weights: {
      "channel-mismatch": cameThrough ? 1 : 5,
      "weak-link": -2,
      congestion: -2,
      interference: -1.5,
      "gateway-transmitting": cameThrough ? 0 : -2,
    },
  };
}

/** Frames before from which it is known that a node came through. */
const KNOWN_BEFORE = 12;

function lossIn(frames: Sight["own"]): number {
  const [first, last] = [frames[0], frames.at(-1)];
  return first === undefined || last === undefined
    ? 0
    : 1 - frames.length / (last.counter - first.counter + 1);
}

/** Bands with plans of 64 channels and more: 902 to 928 MHz, and CN470's 470 to 510 (LoRaWAN regional parameters). */
function isOfFixedPlan(frequencyHz: number): boolean {
  return (frequencyHz > 902e6 && frequencyHz < 928e6) || (frequencyHz > 470e6 && frequencyHz < 510e6);
}

/** The number of channels used that fits best, with how much better than any share at all; null: none does. */
function bestUsed(
  channels: number,
  heard: number,
  { counters, isFixed }: { readonly counters: number; readonly isFixed: boolean },
): { used: number; weight: number } | null {
  const candidates = [
    ...Array.from({ length: Math.max(0, MAX_DYNAMIC - channels) }, (_, i) => channels + 1 + i),
    ...(isFixed && channels >= 5 ? FIXED : []),
  ];
  const fits = candidates.map((used) => ({ used, p: binomialPmf(heard, counters, channels / used) }));
  if (fits.length === 0) return null;
  // Against a share that may be anything: each of 0 to n is as likely.
  const mean = fits.reduce((sum, { p }) => sum + p, 0) / fits.length;
  const best = fits.reduce((a, b) => (b.p > a.p ? b : a));
  const weight = Math.log(mean * (counters + 1));
  // Eight channels are what a dynamic plan usually has in all (three of the region and five of the join-accept).
  const usual = channels < 8 && best.used === 8 ? 0.5 : 0;
  return weight < -2 ? null : { used: best.used, weight: Math.min(3, weight + usual) };
}

/** Channels that plans of one region share, and how often: the three of the region, eight with a CFList, fixed plans 64 or 72. Chosen. */
const USUAL_PLANS = [
  { used: 3, share: 0.15 },
  { used: 8, share: 0.45 },
  { used: 16, share: 0.1 },
  { used: 64, share: 0.15 },
  { used: 72, share: 0.15 },
] as const;

/** Chosen: a share is known to three points either way. */
const MAX_POOLED = 300;

/** So many channels a jammer takes as easily as a wrong plan does. Chosen. */
const FEW_CHANNELS = 2;
/**
 * Channels of 125 kHz that a gateway's own plan has: those that a region asks for at the least, or all that a board
 * demodulates (LoRaWAN regional parameters; SX1301 and SX1302 data sheets). Heard on any other number, the rest may be drowned.
 */
const GATEWAY_PLANS: readonly number[] = [2, 3, 8];

/** Does what all nodes lost from the beginning on fit a plan of which the gateway hears a part? */
function pooledRatio(others: Counted, { neighbours, own, ...sight }: Sight): Piece[] {
  const counters = others.expected + sight.missed + sight.heard;
  const heard = others.expected - others.missed + sight.heard;
  const frames = [...neighbours.flatMap((one) => one.frames), ...own];
  const inner = withoutEdges(sight.scene.within);
  const channels = heardChannels(
    frames.filter(({ atUs }) => isIn(inner, atUs)).map(({ frequencyHz }) => frequencyHz),
  );
  // Nodes differ in how they hop and what else they lose: many counters tell no more than so many.
  const trials = Math.min(MAX_POOLED, counters);
  const hits = Math.round((heard / counters) * trials);
  const fits = USUAL_PLANS.filter(({ used }) => used > channels).map(({ used, share }) => ({
    used,
    p: share * binomialPmf(hits, trials, channels / used),
  }));
  const best = fits.reduce((a, b) => (b.p > a.p ? b : a), { used: 0, p: 0 });
  const fit = Math.log((trials + 1) * fits.reduce((sum, { p }) => sum + p, 0) + 1e-9);
  // A network may have any number of channels: that it is no usual one says little.
  const weight = Math.max(-1.5, clampWeight(fit, 4));
  return [
    {
      sentence:
        weight > 0
          ? `All nodes together were heard with ${percentInWords(heard / counters)} of ${figure(counters)} counters, on ${channels} channels: the share of ${channels} channels in ${best.used}.`
          : `All nodes together were heard with ${percentInWords(heard / counters)} of ${figure(counters)} counters, on ${channels} channels: of no usual plan is that the share.`,
      lane: "channels",
      weights: { "channel-mismatch": weight },
      // One or two channels that were never heard may as well have been drowned all the time, as may any where what is
      // left is no gateway's plan.
      ...(weight > 0 && (best.used - channels <= FEW_CHANNELS || !GATEWAY_PLANS.includes(channels))
        ? { leavesOpen: ["interference", "channel-mismatch"] as const }
        : {}),
    },
  ];
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

export function channelEvidence(sight: Sight): EvidencePiece[] {
  const { scene } = sight;
  const [home] = scene.homes;
  if (home === undefined || scene.gap.kind === "silence" || sight.missed === 0) return [];
  const receptions = scene.receptions.filter(({ gatewayId }) => gatewayId === home.id);
  const restsOn = { ...scene.within, ofNode: true, gatewayEui: home.eui };
  const fallen = shareOfAll(sight, receptions);
  const isTold = fallen.some(tellsApart);
  return onGap(scene, [
    ...ratioPieces(sight).map(({ leavesOpen, ...piece }) => ({
      ...piece,
      restsOn,
      // A share alone leaves open whether channels are drowned or not listened on; how they fell may tell.
      ...(leavesOpen === undefined || isTold ? {} : { leavesOpen }),
    })),
    ...fallen,
  ]);
}

/** Whether a piece tells channels that are drowned from those that the gateway does not listen on. */
function tellsApart({ weights, leavesOpen }: Piece): boolean {
  const { interference = 0, "channel-mismatch": mismatch = 0 } = weights;
  return leavesOpen === undefined && interference * mismatch < 0;
}
