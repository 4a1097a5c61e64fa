/** Which channels lost their share of what is heard: for everyone, or for one node alone? */

import type { SceneReception } from "../../model/gap.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { figure } from "../../words/format.ts";
import { percent, span } from "../status.ts";
import { clampWeight, type EvidencePiece } from "./evidence.ts";
import { isEdge } from "./margin.ts";
import { isIn, known, lengthUs, lossInCompany, type Sight, withoutEdges } from "./observations.ts";

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
export function shareOfAll(
  sight: Sight,
  receptions: readonly SceneReception[],
  restsOn: EvidencePiece["restsOn"],
): EvidencePiece[] {
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
    if (lost !== null && (reference.basis !== "after" || isBeyondSplits(lost, reference.counts.size)))
      return [lostForAll(sight, receptions, lost, { reference, restsOn })];
  }
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
  { scene: { before, after, within, homes }, ownWithin, ownBefore }: Sight,
  receptions: readonly SceneReception[],
  lost: Fallen,
  { reference, restsOn }: { readonly reference: Reference; readonly restsOn: EvidencePiece["restsOn"] },
): EvidencePiece {
  const sight = { from: before.fromUs, to: Math.max(after.toUs, within.toUs) };
  const hole = longestHole(receptions, lost, { ...within, lookFromUs: sight.from, lookToUs: sight.to });
  const [home] = homes;
  const restart =
    hole === null || home?.tellsCounter !== true
      ? "cannot be told"
      : restartAtHole(home.restartsUs, hole, sight, receptions);
  const weight = clampWeight(lost.z - 1, 3.5);
  const common = { "weak-link": -1.5, "gateway-transmitting": -2, congestion: -1 };
  // At the edge of a link a dB of noise decides whether a frame is heard: channels then differ without a disturbance.
  const atEdge = isEdge(ownWithin.length > 0 ? ownWithin : ownBefore);
  const weights =
    hole === null
      ? atEdge
        ? { interference: Math.min(weight, 1), "channel-mismatch": -weight }
        : { ...common, interference: weight, "channel-mismatch": -weight }
      : restart === "began anew"
        ? RETUNED
        : restart === "ran on"
          ? JAMMED
          : { ...common, interference: weight, "channel-mismatch": weight };
  const silence =
    hole === null
      ? ""
      : `: nothing at all was heard there for ${span((hole.toUs - hole.fromUs) / 1e6)}, when ${figure(Math.round(hole.due))} frames were due by what came on the others`;
  return {
    sentence: `${lost.channels.length === 1 ? "One channel" : `${lost.channels.length} channels`} of ${reference.counts.size} ${sharesInWords(lost, reference.basis)}${silence}${RESTART_WORDS[restart]}.`,
    lane: "channels",
    restsOn,
    weights,
    ...(hole !== null && restart === "cannot be told"
      ? { leavesOpen: ["interference", "channel-mismatch"] as const }
      : {}),
  };
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
  const [now, then] = [percent(shareNow), percent(shareThen)];
  if (basis === "before") return `fell from ${then} to ${now} of what all nodes were heard on`;
  return `carried ${now} of what all nodes were heard on, ${then} ${basis === "after" ? "when the gap was over" : "if they hop evenly"}`;
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
  "began anew": "; the gateway's counter began anew as that began or ended",
  "ran on": "; the gateway's counter ran on, and a gateway takes on other channels only when it starts",
  "cannot be told": "",
};

/** A stretch without any reception on some channels. */
interface Hole extends TimeRange {
  /** Frames to be expected there, by what came on the other channels. */
  readonly due: number;
}

/** Due frames from which a hole is no chance: exp(-7) is 0.1 %. */
const MIN_DUE = 7;
/** Share of the gap that a hole fills which the gap is about. Chosen. */
const MIN_FILLED = 0.7;

/** The longest stretch without anything on the fallen channels, when it fills the gap and is no chance; else null. */
function longestHole(
  receptions: readonly SceneReception[],
  { channels, shareThen }: Fallen,
  { fromUs, toUs, lookFromUs, lookToUs }: TimeRange & { lookFromUs: number; lookToUs: number },
): Hole | null {
  const seen = receptions.filter(({ atUs }) => atUs >= lookFromUs && atUs <= lookToUs);
  const isThere = ({ frequencyHz }: SceneReception) => frequencyHz !== null && channels.includes(frequencyHz);
  const ends = [lookFromUs, ...seen.filter(isThere).map(({ atUs }) => atUs), lookToUs];
  let longest: TimeRange = { fromUs: lookFromUs, toUs: lookFromUs };
  ends.forEach((atUs, i) => {
    const previous = ends[i - 1] ?? atUs;
    if (atUs - previous > lengthUs(longest)) longest = { fromUs: previous, toUs: atUs };
  });
  const hole = longest;
  const filled = Math.min(toUs, hole.toUs) - Math.max(fromUs, hole.fromUs);
  if (filled < MIN_FILLED * (toUs - fromUs)) return null;
  const elsewhere = seen.filter(
    (one) => one.counter !== null && one.atUs > hole.fromUs && one.atUs < hole.toUs && !isThere(one),
  ).length;
  const due = (elsewhere * shareThen) / Math.max(0.02, 1 - shareThen);
  return due < MIN_DUE ? null : { ...hole, due };
}

/** Due frames within which the last one before a restart, or the first after one, was surely heard. Chosen, three times the least. */
const SURELY_HEARD = 20;

/**
 * Whether the gateway restarted where the hole begins, or where it ends. Only an end with a reception on those channels
 * beside it tells: where the look begins or ends, the hole may go on.
 */
function restartAtHole(
  restartsUs: readonly number[],
  hole: Hole,
  look: { readonly from: number; readonly to: number },
  receptions: readonly SceneReception[],
): RestartThere {
  const nearUs = lengthUs(hole) * Math.min(0.25, SURELY_HEARD / hole.due);
  const ends = [
    ...(hole.fromUs > look.from ? [hole.fromUs] : []),
    ...(hole.toUs < look.to ? [hole.toUs] : []),
  ];
  const isAnew = restartsUs.some(
    (atUs) =>
      atUs > hole.fromUs - 1_000_000 &&
      atUs < hole.toUs + 1_000_000 &&
      ends.some((endUs) => Math.abs(atUs - endUs) <= nearUs),
  );
  if (isAnew) return "began anew";
  // Readings of the counter on both sides are what tells that it ran on.
  const isRead = ends.some((endUs) =>
    endUs === hole.fromUs
      ? receptions.some(({ atUs }) => atUs > hole.fromUs + nearUs && atUs <= hole.toUs)
      : receptions.some(({ atUs }) => atUs > hole.fromUs && atUs < hole.toUs - nearUs),
  );
  return isRead ? "ran on" : "cannot be told";
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
