/** Do the nodes lose their frames at the same moments? */
import type { SceneGateway } from "../../model/gap.ts";
import {
  contains,
  intersect,
  isIn,
  lengthUs,
  overlapUs,
  subtract,
  type TimeRange,
  totalUs,
  unite,
} from "../../model/time-range.ts";
import { duration, figure } from "../../words/format.ts";
import { isOut, missedTimes, unheardAtHome, withoutEdges } from "./company.ts";
import { CAUSES, type EvidencePiece, onGap, weigh } from "./evidence.ts";
import type { OwnFrame, Sight } from "./observations.ts";

// How much of what is missing falls where no gateway that usually hears the node was reachable?

/** From this share on an outage is what the gap is about. */
export const EXPLAINED_BY_OUTAGE = 0.4;

/** Share of what was missed that falls where all home gateways were out; of an open silence, of its time. */
export function shareOut(sight: Sight): number {
  const { homes, within, gap } = sight.scene;
  const slackUs = 2_000_000 + 0.1 * (gap.rhythmUs ?? 0);
  const isOut = ({ outages }: SceneGateway, atUs: number) =>
    outages.some(({ fromUs, toUs }) => atUs >= fromUs - slackUs && atUs < toUs + slackUs);
  const allOut = (atUs: number) => homes.every((gateway) => isOut(gateway, atUs));
  if (sight.missedAtUs.length > 0) {
    return sight.missedAtUs.filter(allOut).length / sight.missedAtUs.length;
  }
  const probes = Array.from({ length: 40 }, (_, i) => within.fromUs + ((i + 0.5) / 40) * lengthUs(within));
  // A node that would have sent only after the outage began was silent for a while before it was due.
  const notRecorded = homes[0]?.notRecorded ?? [];
  const recorded = probes.filter((atUs) => !contains(notRecorded, atUs));
  const due = recorded.filter((atUs) => !gap.open || atUs > within.fromUs + (gap.rhythmUs ?? 0));
  return due.length === 0 ? 0 : due.filter(allOut).length / due.length;
}

/** Keepalive intervals between two datagrams of a gateway in which it was surely reachable: one may be late. Chosen. */
const USUAL_SPACING = 1.5;

/**
 * Share of a range, in recorded time, in which a gateway was reachable: its datagrams came at its own keepalive interval.
 * 0 without keepalives, or where the range is shorter than that interval: then nothing proves it.
 */
export function reachShare(
  gateway: SceneGateway,
  { scene: { receptions } }: Sight,
  range: TimeRange,
): number {
  const { keepaliveUs, keepalivesUs, reports, notRecorded } = gateway;
  if (keepaliveUs === null) return 0;
  const recorded = subtract([range], notRecorded);
  const recordedUs = totalUs(recorded);
  if (recordedUs < keepaliveUs) return 0;
  const nearUs = USUAL_SPACING * keepaliveUs;
  const fromUs = range.fromUs - nearUs;
  const toUs = range.toUs + nearUs;
  const times = [
    ...keepalivesUs,
    ...reports.map(({ atUs }) => atUs),
    ...receptions.filter(({ gatewayId }) => gatewayId === gateway.id).map(({ atUs }) => atUs),
  ]
    .filter((atUs) => atUs >= fromUs && atUs <= toUs)
    .sort((a, b) => a - b);
  const reached = times.flatMap((atUs, i) => {
    const before = times[i - 1];
    return before === undefined || atUs - before > nearUs ? [] : [{ fromUs: before, toUs: atUs + 1 }];
  });
  return totalUs(intersect(recorded, unite(reached))) / recordedUs;
}

/** Moments compared, and misses among them, from which losses of several nodes are seen to come together or not. Chosen. */
const MIN_PAIRS = 40;
const MIN_MISSES = 10;
/** Three standard errors: that much chance seldom does. */
const TOGETHER_Z = 3;

/**
 * Whether the nodes lose their frames at the same moments: what comes and goes (a jammer that pulses) takes all of
 * them while it is there, what strikes each frame by itself (collisions, channels not listened on) does not. Moments of
 * different nodes that follow one another are compared (autocorrelation at lag one of a series of misses and hits).
 */
export function together(sight: Sight): EvidencePiece[] {
  const within = withoutEdges(sight.scene.within);
  const outages = unheardAtHome(sight.scene);
  const moments = [
    ...momentsOf(0, sight.own, within, outages),
    ...sight.neighbours.flatMap(({ frames }, i) => momentsOf(i + 1, frames, within, outages)),
  ].sort((a, b) => a.atUs - b.atUs);
  const missed = moments.filter(({ isMissed }) => isMissed).length;
  const share = missed / Math.max(1, moments.length);
  const pairs = moments.flatMap((one, i) => {
    const next = moments[i + 1];
    return next === undefined || next.node === one.node ? [] : [{ one, next, i }];
  });
  if (pairs.length < MIN_PAIRS || missed < MIN_MISSES || share > 0.9) return [];
  const usual = usualShares(moments);
  const deviation = ({ isMissed }: Moment, i: number) => (isMissed ? 1 : 0) - (usual[i] ?? share);
  const correlation =
    pairs.reduce((sum, { one, next, i }) => sum + deviation(one, i) * deviation(next, i + 1), 0) /
    (pairs.length * share * (1 - share));
  const z = correlation * Math.sqrt(pairs.length);
  if (z < TOGETHER_Z) return [];
  return onGap(sight.scene, [
    {
      sentence: `The nodes lose their frames at the same moments: of ${figure(missed)} losses among ${figure(moments.length)} frames of all of them, more follow on one another's than chance allows (correlation ${figure(correlation, 2)}, ${figure(z, 1)} standard errors).`,
      lane: "neighbours",
      weights: {
        interference: 2,
        ...weigh(-1.5, "channel-mismatch", "congestion"),
        ...weigh(-1, "weak-link", "shared-address"),
      },
    },
  ]);
}

/** Moments on each side from which the usual share of losses at one is taken. Chosen: longer than a pulse, shorter than a trouble. */
const NEAR_MOMENTS = 20;

/**
 * The share of losses around each moment: a trouble of any kind that fills a part of the gap raises it there, and only
 * what comes and goes within it shows in the deviations.
 */
function usualShares(moments: readonly Moment[]): number[] {
  const sums = [0];
  for (const { isMissed } of moments) sums.push((sums.at(-1) ?? 0) + (isMissed ? 1 : 0));
  return moments.map((_, i) => {
    const [from, to] = [Math.max(0, i - NEAR_MOMENTS), Math.min(moments.length, i + NEAR_MOMENTS + 1)];
    return ((sums[to] ?? 0) - (sums[from] ?? 0)) / (to - from);
  });
}

interface Moment {
  readonly node: number;
  readonly atUs: number;
  readonly isMissed: boolean;
}

/** Hits and misses of one node in a stretch, but for those in an outage. */
function momentsOf(
  node: number,
  frames: readonly OwnFrame[],
  stretch: TimeRange,
  outages: readonly TimeRange[],
): Moment[] {
  const inside = frames.filter(({ atUs }) => isIn(stretch, atUs));
  return inside.flatMap((frame, i) => {
    const before = inside[i - 1];
    const missed = before === undefined ? [] : missedTimes(before, frame);
    // A counter that ran away is another device or a restart.
    const lost = missed.length > 50 ? [] : missed.filter((atUs) => !isOut(outages, atUs));
    return [
      ...lost.map((atUs) => ({ node, atUs, isMissed: true })),
      { node, atUs: frame.atUs, isMissed: false },
    ];
  });
}

// Did all gateways fall silent together? Then the side that they share comes first: this listener, its network, or the
// router before it. The air makes no keepalive late.

/** A counter's own time is known to some seconds only. */
const SLACK_US = 5_000_000;
/** A silence of all gateways together is hardly chance; one gateway may have lost one keepalive on its way. Chosen. */
const WEIGHT = { several: 4, one: 1.5 } as const;
const OF_THE_WAY: ReadonlySet<string> = new Set([
  "gateway-unreachable",
  "gateway-restarted",
  "backhaul-loss",
]);
const NOT_THE_WAY = CAUSES.filter((cause) => !OF_THE_WAY.has(cause));

/** Share of the missed counters that were due while no gateway sent anything. */
export function shareInSilence({ scene: { nobody }, missedAtUs }: Sight): number {
  if (missedAtUs.length === 0 || nobody.length === 0) return 0;
  const wide = nobody.map(({ fromUs, toUs }) => ({ fromUs: fromUs - SLACK_US, toUs: toUs + SLACK_US }));
  return (
    missedAtUs.filter((atUs) => wide.some((range) => contains([range], atUs))).length / missedAtUs.length
  );
}

/** Several gateways were silent together while most of the missed counters were due. */
export function isSharedSide(sight: Sight): boolean {
  return sight.scene.followed > 1 && shareInSilence(sight) >= EXPLAINED_BY_OUTAGE;
}

export function sharedSideEvidence(sight: Sight): EvidencePiece[] {
  const { nobody, followed, within, homes } = sight.scene;
  const share = shareInSilence(sight);
  // A gateway that restarted with its silence was silent for a reason of its own.
  const restarted = homes.some(({ outages }) =>
    outages.some((out) => out.restarted === true && overlapUs(out, within) > 0),
  );
  if (share < EXPLAINED_BY_OUTAGE || restarted) return [];
  const longest = nobody.reduce((a, b) => (lengthUs(b) > lengthUs(a) ? b : a));
  const weight = (followed > 1 ? WEIGHT.several : WEIGHT.one) * share;
  const who = followed > 1 ? `any of the ${followed} gateways` : "the gateway";
  const side =
    followed > 1
      ? "check first what all share (this listener, its network)"
      : "check first the path between it and here";
  return onGap(sight.scene, [
    {
      sentence: `No datagram came from ${who} for ${duration(lengthUs(longest) / 1e6)}: ${side}, not the air.`,
      lane: "heartbeat",
      weights: { ...weigh(weight, "gateway-unreachable"), ...weigh(-0.75 * weight, ...NOT_THE_WAY) },
    },
  ]);
}
