/**
 * Which channels were the lost frames on? A node that hops over more channels than the gateway listens to loses a fixed
 * share of its frames whatever their strength: as many as the channels it is never heard on. A channel that is
 * disturbed loses its share for everyone instead.
 */

import type { SceneReception, Stretch } from "../../model/scene.ts";
import { binomialPmf } from "../../statistics/binomial.ts";
import { lag1Autocorrelation } from "../../statistics/effective-sample-size.ts";
import { median } from "../../statistics/robust.ts";
import { decibel, percent, span } from "../standing.ts";
import { subBandMismatch } from "../sub-band-mismatch.ts";
import { clampWeight, type EvidencePiece } from "./evidence.ts";
import { type Counted, countedIn, withoutEdges } from "./neighbourhood.ts";
import { isIn, known, lengthUs, type Sight } from "./sight.ts";

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
  const company = lossInCompany(sight);
  // What began for all at once is no plan of theirs: the channels that fell speak of that.
  if (company === "begun") return [];
  if (company !== null) return pooledRatio(company, sight);
  if (counters < LEAST_COUNTERS || heard < 4) return [];
  const channels = heardChannels(ownWithin.map(({ frequencyHz }) => frequencyHz));
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
  const usual = channels < 8 && best.used === 8 ? 0.5 : 0;
  return weight < -2 ? null : { used: best.used, weight: Math.min(3, weight + usual) };
}

/** The others' counters within the gap where they lost as well from the beginning of the recording on; "begun": later; null: they did not. */
function lossInCompany({ neighbours, lossWithin, scene }: Sight): Counted | "begun" | null {
  const now = countedIn(neighbours, scene.within);
  if (now.expected < 30 || now.missed / now.expected <= 0.25 * lossWithin) return null;
  const then = countedIn(neighbours, scene.before);
  return then.expected >= 20 && then.missed / then.expected < 0.5 * (now.missed / now.expected)
    ? "begun"
    : now;
}

/** Channels that plans of one region share, and how often: eight with the three of the region and a CFList, fixed plans 64 or 72. Chosen. */
const USUAL_PLANS = [
  { used: 8, share: 0.5 },
  { used: 16, share: 0.1 },
  { used: 64, share: 0.2 },
  { used: 72, share: 0.2 },
] as const;

/** Does what all nodes lost from the beginning on fit a plan of which the gateway hears a part? */
function pooledRatio(others: Counted, { neighbours, own, ...sight }: Sight): Piece[] {
  const counters = others.expected + sight.missed + sight.heard;
  const heard = others.expected - others.missed + sight.heard;
  const frames = [...neighbours.flatMap((one) => one.frames), ...own];
  const channels = heardChannels(
    frames.filter(({ atUs }) => isIn(sight.scene.within, atUs)).map(({ frequencyHz }) => frequencyHz),
  );
  const fits = USUAL_PLANS.filter(({ used }) => used > channels).map(({ used, share }) => ({
    used,
    p: share * binomialPmf(heard, counters, channels / used),
  }));
  const best = fits.reduce((a, b) => (b.p > a.p ? b : a), { used: 0, p: 0 });
  const weight = clampWeight(Math.log((counters + 1) * fits.reduce((sum, { p }) => sum + p, 0) + 1e-9), 4);
  return [
    {
      sentence:
        weight > 0
          ? `All nodes together were heard with ${percent(heard / counters)} of ${counters.toLocaleString("en-GB")} counters, on ${channels} channels: the share of ${channels} channels in ${best.used}.`
          : `All nodes together were heard with ${percent(heard / counters)} of ${counters.toLocaleString("en-GB")} counters, on ${channels} channels: of no usual plan is that the share.`,
      lane: "channels",
      weights: { "channel-mismatch": weight },
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

/** A channel whose share of what is heard fell: for everyone, or for this node alone. */
function shareOfAll(
  sight: Sight,
  receptions: readonly SceneReception[],
  restsOn: EvidencePiece["restsOn"],
): EvidencePiece[] {
  const { before, within, gap } = sight.scene;
  const heard = receptions.filter(({ counter }) => counter !== null);
  // Others were still heard everywhere until the trouble began, some time after this node's last frame.
  const now = countsIn(heard, withoutEdges(within));
  const seen = countsIn(heard, before);
  const even = lossInCompany(sight) === "begun" ? null : evenCounts(sight);
  const then = fallenChannels(seen, now) === null && even !== null ? even : seen;
  const lost = fallenChannels(then, now);
  if (lost !== null)
    return [lostForAll(sight, receptions, lost, { of: then.size, isEven: then === even, restsOn })];
  const ownLost = fallenChannels(
    countsOf(sight.ownBefore.map(({ frequencyHz }) => frequencyHz)),
    countsOf(sight.ownWithin.map(({ frequencyHz }) => frequencyHz)),
  );
  if (ownLost === null) return [];
  const others = heard.filter(({ lifeId }) => lifeId !== gap.lifeId);
  const goOn = stillHeard(countsIn(others, before), countsIn(others, within), ownLost.channels);
  return [
    {
      sentence: `This node alone is heard ${ownLost.heardNow === 0 ? "no more" : "less"} on ${ownLost.channels.length} of its channels, which carried ${percent(ownLost.shareThen)} of its frames before${goOn ? "; others are still heard there" : ""}.`,
      lane: "channels",
      restsOn,
      // A hopping node is never heard where it should not send; a disturbance that strikes one node alone is met seldom.
      weights: goOn
        ? {
            "channel-mismatch": ownLost.heardNow === 0 ? clampWeight(ownLost.z, 4) : 0.5,
            interference: -1.5,
            "weak-link": -1,
            congestion: -1,
          }
        : { interference: 0.5 },
    },
  ];
}

/** Frames of a node from which the channels that it uses are known. */
const KNOWN_FROM = 12;

/**
 * How many frames each channel would have had if every node used the channels that it was heard on equally often, as
 * hopping does: what a before would tell, where the trouble was there from the beginning.
 */
function evenCounts({ neighbours, own, scene: { within } }: Sight): Map<number, number> {
  const even = new Map<number, number>();
  for (const { frames } of [...neighbours, { frames: own }]) {
    const inside = frames.filter(({ atUs }) => isIn(within, atUs));
    const channels = countsOf(inside.map(({ frequencyHz }) => frequencyHz));
    if (inside.length < KNOWN_FROM) continue;
    for (const channel of channels.keys())
      even.set(channel, (even.get(channel) ?? 0) + inside.length / channels.size);
  }
  return even;
}

/**
 * Channels that fell for everyone. Noise lets the strongest through now and then, or lets them come broken; a channel
 * that the gateway does not listen on brings nothing at all, from a restart of the gateway on.
 */
function lostForAll(
  { scene: { before, after, within, homes } }: Sight,
  receptions: readonly SceneReception[],
  lost: Fallen,
  {
    of,
    isEven,
    restsOn,
  }: { readonly of: number; readonly isEven: boolean; readonly restsOn: EvidencePiece["restsOn"] },
): EvidencePiece {
  const sight = { from: before.fromUs, to: Math.max(after.toUs, within.toUs) };
  const hole = longestHole(receptions, lost, { ...within, lookFromUs: sight.from, lookToUs: sight.to });
  const [home] = homes;
  const restart =
    hole === null || home?.tellsCounter !== true
      ? "cannot be told"
      : restartAtHole(home.restartsUs, hole, receptions);
  const weight = clampWeight(lost.z - 1, 3.5);
  const common = { "weak-link": -1.5, "gateway-transmitting": -2, congestion: -1 };
  const weights =
    hole === null
      ? { ...common, interference: weight, "channel-mismatch": -weight }
      : restart === "began anew"
        ? RETUNED
        : restart === "ran on"
          ? JAMMED
          : { ...common, interference: weight, "channel-mismatch": weight };
  const silence =
    hole === null
      ? ""
      : `: nothing at all was heard there for ${span((hole.toUs - hole.fromUs) / 1e6)}, when ${Math.round(hole.due).toLocaleString("en-GB")} frames were due by what came on the others`;
  return {
    sentence: `${lost.channels.length === 1 ? "One channel" : `${lost.channels.length} channels`} of ${of} ${isEven ? `carried ${percent(lost.shareNow)} of what all nodes were heard on, ${percent(lost.shareThen)} if they hop evenly` : `fell from ${percent(lost.shareThen)} to ${percent(lost.shareNow)} of what all nodes were heard on`}${silence}${RESTART_WORDS[restart]}.`,
    lane: "channels",
    restsOn,
    weights,
    ...(hole !== null && restart === "cannot be told"
      ? { leavesOpen: ["interference", "channel-mismatch"] as const }
      : {}),
  };
}

/**
 * A gateway takes on other channels with its configuration, at a start: the concentrator's counter begins anew then
 * (the reference daemons read their configuration when they start; from memory). Where the counter ran on, the gateway
 * still listened there.
 */
type RestartThere = "began anew" | "ran on" | "cannot be told";
const RETUNED = { "channel-mismatch": 6, interference: -3, "weak-link": -1.5, congestion: -1.5 } as const;
const JAMMED = { interference: 4, "channel-mismatch": -2.5, "weak-link": -1.5, congestion: -1 } as const;
const RESTART_WORDS: Readonly<Record<RestartThere, string>> = {
  "began anew": "; the gateway's counter began anew as that began",
  "ran on": "; the gateway's counter ran on, and a gateway takes on other channels only when it starts",
  "cannot be told": "",
};

/** A stretch without any reception on some channels. */
interface Hole extends Stretch {
  /** Frames to be expected there, by what came on the other channels. */
  readonly due: number;
}

/** Due frames from which a hole is no chance: exp(-7) is 0.1 %. */
const LEAST_DUE = 7;
/** Share of the gap that a hole fills which the gap is about. Chosen. */
const LEAST_FILLED = 0.7;

/** The longest stretch without anything on the fallen channels, when it fills the gap and is no chance; else null. */
function longestHole(
  receptions: readonly SceneReception[],
  { channels, shareThen }: Fallen,
  { fromUs, toUs, lookFromUs, lookToUs }: Stretch & { lookFromUs: number; lookToUs: number },
): Hole | null {
  const seen = receptions.filter(({ atUs }) => atUs >= lookFromUs && atUs <= lookToUs);
  const isThere = ({ frequencyHz }: SceneReception) => frequencyHz !== null && channels.includes(frequencyHz);
  const ends = [lookFromUs, ...seen.filter(isThere).map(({ atUs }) => atUs), lookToUs];
  let longest: Stretch = { fromUs: lookFromUs, toUs: lookFromUs };
  ends.forEach((atUs, i) => {
    const previous = ends[i - 1] ?? atUs;
    if (atUs - previous > lengthUs(longest)) longest = { fromUs: previous, toUs: atUs };
  });
  const hole = longest;
  const filled = Math.min(toUs, hole.toUs) - Math.max(fromUs, hole.fromUs);
  if (filled < LEAST_FILLED * (toUs - fromUs)) return null;
  const elsewhere = seen.filter(
    (one) => one.counter !== null && one.atUs > hole.fromUs && one.atUs < hole.toUs && !isThere(one),
  ).length;
  const due = (elsewhere * shareThen) / Math.max(0.02, 1 - shareThen);
  return due < LEAST_DUE ? null : { ...hole, due };
}

/** Due frames within which the last one before a restart, or the first after one, was surely heard. Chosen, three times the least. */
const SURELY_HEARD = 20;

/** Whether the gateway restarted where the hole begins, or where it ends. */
function restartAtHole(
  restartsUs: readonly number[],
  hole: Hole,
  receptions: readonly SceneReception[],
): RestartThere {
  const nearUs = lengthUs(hole) * Math.min(0.25, SURELY_HEARD / hole.due);
  const isNear = (atUs: number, edgeUs: number) => Math.abs(atUs - edgeUs) <= nearUs;
  const isAnew = restartsUs.some(
    (atUs) =>
      atUs > hole.fromUs - 1_000_000 &&
      atUs < hole.toUs + 1_000_000 &&
      (isNear(atUs, hole.fromUs) || isNear(atUs, hole.toUs)),
  );
  if (isAnew) return "began anew";
  // Readings of the counter on both sides are what tells that it ran on.
  const isRead =
    receptions.some(({ atUs }) => atUs <= hole.fromUs) &&
    receptions.some(({ atUs }) => atUs > hole.fromUs + nearUs && atUs <= hole.toUs);
  return isRead ? "ran on" : "cannot be told";
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

interface Fallen {
  readonly channels: readonly number[];
  readonly z: number;
  readonly shareThen: number;
  readonly shareNow: number;
  readonly heardNow: number;
}

/** Chosen: the split of the channels is the best of several, so more than the 2 of a single test. */
const LEAST_Z = 3;
/** A share that fell to less than this of what it was. Chosen: below that lies no more than uneven luck. */
const FELL_TO = 0.7;

/**
 * The channels that lost most of their share, taken together so that the fall is as significant as can be (normal
 * approximation of two proportions); null when no split is, or when nothing is left to compare with.
 */
function fallenChannels(then: ReadonlyMap<number, number>, now: ReadonlyMap<number, number>): Fallen | null {
  const allThen = sum(then);
  const allNow = sum(now);
  if (allThen < 20 || allNow < 12) return null;
  const byRatio = [...then]
    .filter(([, count]) => count >= 0.04 * allThen)
    .map(([channel, count]) => ({ channel, ratio: (now.get(channel) ?? 0) / count }))
    .sort((a, b) => a.ratio - b.ratio);
  let best: Fallen | null = null;
  for (let count = 1; count < byRatio.length; count++) {
    const channels = byRatio.slice(0, count).map(({ channel }) => channel);
    const of = (counts: ReadonlyMap<number, number>) =>
      channels.reduce((total, channel) => total + (counts.get(channel) ?? 0), 0);
    const shareThen = of(then) / allThen;
    const heardNow = of(now);
    const shareNow = heardNow / allNow;
    const pooled = (of(then) + heardNow) / (allThen + allNow);
    const sd = Math.sqrt(pooled * (1 - pooled) * (1 / allNow + 1 / allThen));
    const z = (shareThen - shareNow) / sd;
    if (shareNow < FELL_TO * shareThen && z > Math.max(LEAST_Z, best?.z ?? 0))
      best = { channels, z, shareThen, shareNow, heardNow };
  }
  return best;
}

function countsIn(receptions: readonly SceneReception[], stretch: Stretch): Map<number, number> {
  return countsOf(receptions.filter(({ atUs }) => isIn(stretch, atUs)).map(({ frequencyHz }) => frequencyHz));
}

function countsOf(frequencies: readonly (number | null)[]): Map<number, number> {
  const counts = new Map<number, number>();
  for (const frequency of known(frequencies)) counts.set(frequency, (counts.get(frequency) ?? 0) + 1);
  return counts;
}

/** How many channels there are; one heard once among a hundred is a stray. */
function heardChannels(frequencies: readonly (number | null)[]): number {
  const counts = countsOf(frequencies);
  return [...counts.values()].filter((count) => count >= 0.03 * sum(counts)).length;
}

function sum(counts: ReadonlyMap<number, number>): number {
  return [...counts.values()].reduce((a, b) => a + b, 0);
}
