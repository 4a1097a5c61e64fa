/** Which channels lost their share of what is heard: for everyone, or for one node alone? */

import type { SceneReception } from "../../model/gap.ts";
import { isIn, type TimeRange } from "../../model/time-range.ts";
import { percentInWords } from "../../words/format.ts";

import { holeAround, longestHole, meaningOf } from "./channel-holes.ts";
import { countedIn, lossInCompany, withoutEdges } from "./company.ts";
import { clampWeight, type Piece } from "./evidence.ts";
import { isEdge } from "./margin.ts";
import { known, type Sight } from "./observations.ts";

// How often was each channel heard?

function countsIn(
  receptions: readonly Pick<SceneReception, "atUs" | "frequencyHz">[],
  stretch: TimeRange,
): Map<number, number> {
  return countsOf(receptions.filter(({ atUs }) => isIn(stretch, atUs)).map(({ frequencyHz }) => frequencyHz));
}

function countsOf(frequencies: readonly (number | null)[]): Map<number, number> {
  const counts = new Map<number, number>();
  for (const frequency of known(frequencies)) counts.set(frequency, (counts.get(frequency) ?? 0) + 1);
  return counts;
}

/** How many channels there are; one heard once among a hundred is a stray. */
export function heardChannels(frequencies: readonly (number | null)[]): number {
  const counts = countsOf(frequencies);
  return [...counts.values()].filter((count) => count >= 0.03 * sumOf(counts)).length;
}

function sumOf(counts: ReadonlyMap<number, number>): number {
  return [...counts.values()].reduce((a, b) => a + b, 0);
}

/** A channel whose share of what is heard fell: for everyone, or for this node alone. */
export function shareOfAll(sight: Sight, receptions: readonly SceneReception[]): Piece[] {
  const { before, within, after, gap } = sight.scene;
  const heard = receptions.filter(({ counter }) => counter !== null);
  // Others were still heard everywhere until the trouble began, some time after this node's last frame.
  const now = countsIn(heard, withoutEdges(within));
  const seen = countsIn(heard, before);
  const references: Reference[] = [{ counts: seen, basis: "before" }];
  // A trouble that was there before anybody listened is known by what came when it had ended.
  if (!gap.open) references.push({ counts: countsIn(heard, after), basis: "after" });
  if (lossInCompany(sight) !== "begun") references.push({ counts: evenCounts(sight), basis: "even" });
  for (const reference of references) {
    const lost = fallenChannels(reference.counts, now);
    if (lost === null || (reference.basis === "after" && !isBeyondSplits(lost, reference.counts.size)))
      continue;
    const { isSilent, piece } = lostForAll(sight, receptions, lost, reference);
    // The most significant split may hold a channel more than those that are silent.
    const around = isSilent ? null : holeAround(sight, heard);
    return [around ?? piece];
  }
  const around = holeAround(sight, heard);
  if (around !== null) return [around];
  const company = lossInCompany(sight);
  const beside = company === "begun" ? before : company === "ended" ? after : null;
  if (beside !== null && cameThrough(sight, beside) && areAllHeard(countsIn(heard, beside), now))
    return [
      {
        sentence: `All lost frames, ${beside === before ? "and had not before" : "and no more when it was over"}; each channel was heard meanwhile as well: none is left out.`,
        lane: "channels",
        weights: { "channel-mismatch": -3 },
      },
    ];
  const ownLost = fallenChannels(
    countsOf(sight.ownBefore.map(({ frequencyHz }) => frequencyHz)),
    countsOf(sight.ownWithin.map(({ frequencyHz }) => frequencyHz)),
  );
  if (ownLost === null) return [];
  const others = heard.filter(({ lifeId }) => lifeId !== gap.lifeId);
  const goOn = stillHeard(countsIn(others, before), countsIn(others, within), ownLost.channels);
  return [
    {
      sentence: `This node alone is heard ${ownLost.heardNow === 0 ? "no more" : "less"} on ${ownLost.channels.length} of its channels, which carried ${percentInWords(ownLost.shareThen)} of its frames before${goOn ? "; others are still heard there" : ""}.`,
      lane: "channels",
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

/** Frames due on a channel from which it shows whether it is heard, and the share of them from which it is. Chosen. */
const MIN_DUE_THERE = 4;
const MIN_SHARE_THERE = 0.3;

/** Counters of the others beside the gap, and their loss at the most, from which it is known that they came through. Chosen. */
const MIN_COUNTED_BESIDE = 40;
const MAX_LOST_BESIDE = 0.05;

function cameThrough(sight: Sight, beside: TimeRange): boolean {
  const { missed, expected } = countedIn(sight.neighbours, beside, sight);
  return expected >= MIN_COUNTED_BESIDE && missed <= MAX_LOST_BESIDE * expected;
}

/** Whether every channel that was in use before is still heard, where enough were due to tell. */
function areAllHeard(then: ReadonlyMap<number, number>, now: ReadonlyMap<number, number>): boolean {
  const [allThen, allNow] = [sumOf(then), sumOf(now)];
  const used = [...then].filter(([, count]) => count >= 0.04 * allThen);
  return (
    used.length > 1 &&
    used.every(([channel, count]) => {
      const due = (count / allThen) * allNow;
      return due >= MIN_DUE_THERE && (now.get(channel) ?? 0) >= MIN_SHARE_THERE * due;
    })
  );
}

/** With what the channels' shares within the gap are compared. */
interface Reference {
  readonly counts: ReadonlyMap<number, number>;
  readonly basis: "before" | "after" | "even";
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
  { scene, ownWithin, ownBefore }: Sight,
  receptions: readonly SceneReception[],
  lost: Fallen,
  reference: Reference,
): { readonly isSilent: boolean; readonly piece: Piece } {
  const { before, after, within } = scene;
  const hole = longestHole(receptions, lost, {
    ...within,
    lookFromUs: before.fromUs,
    lookToUs: Math.max(after.toUs, within.toUs),
  });
  const weight = clampWeight(lost.z - 1, 3.5);
  const common = { "weak-link": -1.5, "gateway-transmitting": -2, congestion: -1 };
  // At the edge of a link a dB of noise decides whether a frame is heard: channels then differ without a disturbance.
  const atEdge = isEdge(ownWithin.length > 0 ? ownWithin : ownBefore);
  const meaning =
    hole === null
      ? {
          text: null,
          weights: atEdge
            ? { interference: Math.min(weight, 1), "channel-mismatch": -weight }
            : { ...common, interference: weight, "channel-mismatch": -weight },
        }
      : meaningOf(hole, scene, receptions, weight);
  const { text, ...says } = meaning;
  const piece = {
    sentence: `${lost.channels.length === 1 ? "One channel" : `${lost.channels.length} channels`} of ${reference.counts.size} ${sharesInWords(lost, reference.basis)}${text === null ? "" : `: ${text}`}.`,
    lane: "channels" as const,
    ...says,
  };
  return { isSilent: hole !== null, piece };
}

/** Whether a fall is no chance among all splits of the channels; the tail of a normal is below half of exp(-z²/2). */
function isBeyondSplits({ channels, rawZ }: Fallen, of: number): boolean {
  return splitsOf(of, channels.length) * 0.5 * Math.exp(-(rawZ ** 2) / 2) < MAX_CHANCE;
}

/** In how many ways so many channels can be chosen. */
function splitsOf(of: number, count: number): number {
  return Array.from({ length: count }, (_, i) => (of - i) / (i + 1)).reduce((a, b) => a * b, 1);
}

function sharesInWords({ shareNow, shareThen }: Fallen, basis: Reference["basis"]): string {
  const [now, then] = [percentInWords(shareNow), percentInWords(shareThen)];
  if (basis === "before") return `fell from ${then} to ${now} of what all nodes were heard on`;
  return `carried ${now} of what all nodes were heard on, ${then} ${basis === "after" ? "when the gap was over" : "if they hop evenly"}`;
}

/** Whether others are heard on some channels as much as before; false too when too few were to tell. */
function stillHeard(
  then: ReadonlyMap<number, number>,
  now: ReadonlyMap<number, number>,
  channels: readonly number[],
): boolean {
  const share = (counts: ReadonlyMap<number, number>) =>
    channels.reduce((total, channel) => total + (counts.get(channel) ?? 0), 0) / Math.max(1, sumOf(counts));
  return share(then) * sumOf(now) >= 6 && share(now) > 0.75 * share(then);
}

interface Fallen {
  readonly channels: readonly number[];
  /** At least what is asked; `rawZ` as the approximation has it. */
  readonly z: number;
  readonly rawZ: number;
  readonly shareThen: number;
  readonly shareNow: number;
  readonly heardNow: number;
}

/** Chosen: the split of the channels is the best of several, so more than the 2 of a single test. */
const MIN_Z = 3;
/** Frames from which shares are compared at all, and from which by the normal approximation. */
const MIN_NOW = 4;
const MIN_FOR_Z = 12;
/** As seldom as three standard errors. */
const MAX_CHANCE = 0.001;
/** A share that fell to less than this of what it was. Chosen: below that lies no more than uneven luck. */
const FELL_TO = 0.7;

/**
 * The channels that lost most of their share, taken together so that the fall is as significant as can be (normal
 * approximation of two proportions); null when no split is, or when nothing is left to compare with.
 */
function fallenChannels(then: ReadonlyMap<number, number>, now: ReadonlyMap<number, number>): Fallen | null {
  const allThen = sumOf(then);
  const allNow = sumOf(now);
  if (allThen < 20 || allNow < MIN_NOW) return null;
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
    // Of a few frames the normal approximation says nothing; that none of them came there has a chance of its own.
    // So many ways there are to choose these channels.
    const byChance = splitsOf(byRatio.length, count) * (1 - shareThen) ** allNow;
    const isSure = heardNow === 0 ? byChance < MAX_CHANCE : allNow >= MIN_FOR_Z && z > MIN_Z;
    if (isSure && shareNow < FELL_TO * shareThen && z > (best?.z ?? 0))
      best = { channels, z: Math.max(z, MIN_Z), rawZ: z, shareThen, shareNow, heardNow };
  }
  return best;
}
