/**
 * Was nothing at all heard on some channels for a while? When that began or ended, and whether the gateway restarted
 * there, tells a channel that is drowned from one that the gateway does not listen on.
 */
import type { SceneReception } from "../../model/gap.ts";
import { isIn, lengthUs, type TimeRange } from "../../model/time-range.ts";
import { duration, figure } from "../../words/format.ts";
import type { NamedCause, Piece } from "./evidence.ts";
import type { Sight } from "./observations.ts";

/**
 * A gateway takes on other channels with its configuration, at a start: the concentrator's counter restarts then
 * (the reference daemons read their configuration when they start; from memory). Where the counter ran on, the gateway
 * still listened there.
 */
type RestartThere = "began anew" | "ran on" | "unknown";
const RETUNED = { "channel-mismatch": 6, interference: -3, "weak-link": -1.5, congestion: -1.5 } as const;
const JAMMED = { interference: 4, "channel-mismatch": -2.5, "weak-link": -1.5, congestion: -1 } as const;
const RESTART_WORDS: Readonly<Record<RestartThere, string>> = {
  "began anew": "; the gateway's counter restarted as that began or ended",
  "ran on": "; the gateway's counter ran on, and a gateway takes on other channels only when it starts",
  unknown: "",
};

/** A stretch without any reception on some channels. */
export interface Hole extends TimeRange {
  /** Frames to be expected there, by what came on the other channels. */
  readonly due: number;
}

/** Channels, and the share of all frames that they carry usually. */
interface Channels {
  readonly channels: readonly number[];
  readonly shareThen: number;
}

/** Due frames from which a hole in channels that fell within the gap is no chance: exp(-7) is 0.1 %. */
const MIN_DUE = 7;
/** Share of the gap that a hole fills which the gap is about. Chosen. */
const MIN_FILLED = 0.7;

/** The longest stretch without anything on the fallen channels, when it fills the gap and is no chance; else null. */
export function longestHole(
  receptions: readonly SceneReception[],
  { channels, shareThen }: Channels,
  { fromUs, toUs, lookFromUs, lookToUs }: TimeRange & { lookFromUs: number; lookToUs: number },
): Hole | null {
  const seen = receptions.filter(({ atUs }) => atUs >= lookFromUs && atUs <= lookToUs);
  const isThere = ({ frequencyHz }: SceneReception) => frequencyHz !== null && channels.includes(frequencyHz);
  const ends = [lookFromUs, ...seen.filter(isThere).map(({ atUs }) => atUs), lookToUs];
  const hole = longestBetween(ends);
  const filled = Math.min(toUs, hole.toUs) - Math.max(fromUs, hole.fromUs);
  if (filled < MIN_FILLED * (toUs - fromUs)) return null;
  const elsewhere = seen.filter(
    (one) => one.counter !== null && one.atUs > hole.fromUs && one.atUs < hole.toUs && !isThere(one),
  ).length;
  const due = (elsewhere * shareThen) / Math.max(0.02, 1 - shareThen);
  return due < MIN_DUE ? null : { ...hole, due };
}

/** The longest time between two moments that follow each other, the first of equals; two moments at least. */
function longestBetween(momentsUs: readonly number[]): TimeRange {
  const between = momentsUs.slice(1).map((toUs, i) => ({ fromUs: momentsUs[i] ?? toUs, toUs }));
  return between.reduce((a, b) => (lengthUs(b) > lengthUs(a) ? b : a));
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
  return isRead ? "ran on" : "unknown";
}

/** What a hole says for each cause, and how that is put; `leavesOpen`: a jammed channel looks the same. */
export interface HoleMeaning {
  readonly weights: Piece["weights"];
  readonly text: string;
  readonly leavesOpen?: readonly NamedCause[];
}

export function meaningOf(
  hole: Hole,
  { homes, before, within, after }: Sight["scene"],
  receptions: readonly SceneReception[],
  weight: number,
): HoleMeaning {
  const look = { from: before.fromUs, to: Math.max(after.toUs, within.toUs) };
  const [home] = homes;
  const restart =
    home?.tellsCounter === true ? restartAtHole(home.restartsUs, hole, look, receptions) : "unknown";
  const weights =
    restart === "began anew"
      ? RETUNED
      : restart === "ran on"
        ? JAMMED
        : {
            "weak-link": -1.5,
            "gateway-transmitting": -2,
            congestion: -1,
            interference: weight,
            "channel-mismatch": weight,
          };
  return {
    weights,
    text: `nothing at all was heard there for ${duration((hole.toUs - hole.fromUs) / 1e6)}, when ${figure(Math.round(hole.due))} frames were due by what came on the others${RESTART_WORDS[restart]}`,
    ...(restart === "unknown" ? { leavesOpen: ["interference", "channel-mismatch"] } : {}),
  };
}

// A gap of a few counters is too short to show which channels fell; that nothing came on one of them for a long time
// around it does.

/** How much a channel that is heard no more says where its gateway's counter tells nothing. Chosen, as of a fall of 3.5 standard errors. */
const HOLE_WEIGHT = 2.5;
/** As seldom as three standard errors, for all channels and beginnings together. */
const MAX_CHANCE = 0.001;
/** Frames on a channel from which its usual share is known. Chosen. */
const MIN_ON_CHANNEL = 8;
/** The node may lose so many times the share of the silent channels: it hops unevenly. Chosen. */
const UNEVEN = 1.5;

/** Channels that nothing came on while the missed counters were due, over a stretch longer than the gap perhaps. */
export function holeAround(sight: Sight, receptions: readonly SceneReception[]): Piece | null {
  const { scene, missedAtUs, lossRange } = sight;
  const { before, within, after } = scene;
  const look = { fromUs: before.fromUs, toUs: Math.max(after.toUs, within.toUs) };
  const seen = receptions.filter(({ atUs, frequencyHz }) => isIn(look, atUs) && frequencyHz !== null);
  const channels = new Set(seen.map(({ frequencyHz }) => frequencyHz ?? 0));
  const found = [...channels].flatMap((channel) => {
    const hole = holeOf(channel, seen, { look, missedAtUs, of: channels.size });
    return hole ?? [];
  });
  const shareThen = found.reduce((sum, { share }) => sum + share, 0);
  const fromUs = Math.max(...found.map((one) => one.fromUs));
  const toUs = Math.min(...found.map((one) => one.toUs));
  if (found.length === 0 || found.length === channels.size || lossRange.low > UNEVEN * shareThen) return null;
  if (missedIn(missedAtUs, { fromUs, toUs }) < MIN_FILLED) return null;
  const due = found.reduce((sum, one) => sum + one.due, 0);
  const { text, ...meaning } = meaningOf({ fromUs, toUs, due }, scene, receptions, HOLE_WEIGHT);
  return {
    sentence: `${found.length === 1 ? "One channel was" : `${found.length} channels were`} silent while its frames were missed: ${text}.`,
    lane: "channels",
    ...meaning,
  };
}

/** Share of these moments that lie in a range. */
function missedIn(missedAtUs: readonly number[], range: TimeRange): number {
  return missedAtUs.filter((atUs) => isIn(range, atUs)).length / Math.max(1, missedAtUs.length);
}

/** The longest time around the missed counters in which nothing came on a channel; null: chance may have made it. */
function holeOf(
  channel: number,
  seen: readonly SceneReception[],
  {
    look,
    missedAtUs,
    of,
  }: { readonly look: TimeRange; readonly missedAtUs: readonly number[]; readonly of: number },
): (Hole & { readonly share: number }) | null {
  const there = seen.filter(({ frequencyHz }) => frequencyHz === channel);
  const ends = [look.fromUs, ...there.map(({ atUs }) => atUs), look.toUs];
  const hole = longestBetween(ends);
  const inside = seen.filter(({ atUs }) => atUs > hole.fromUs && atUs < hole.toUs);
  const share = there.length / Math.max(1, seen.length - inside.length);
  const due = (inside.length * share) / Math.max(0.02, 1 - share);
  const isChance = of * (there.length + 1) * Math.exp(-due) > MAX_CHANCE;
  return isChance || there.length < MIN_ON_CHANNEL || missedIn(missedAtUs, hole) < MIN_FILLED
    ? null
    : { ...hole, due, share };
}
