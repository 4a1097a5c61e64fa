/**
 * Did others fare the same meanwhile? Whether the frames of all other nodes at these gateways came in the proportion
 * that their rhythms predict, and whether they lost more counters than before: a trouble of one node leaves its
 * neighbours alone, a trouble of the gateway or of the air does not.
 */

import type { Stretch } from "../../model/scene.ts";
import { wilsonInterval } from "../../statistics/wilson.ts";
import { percent } from "../standing.ts";
import { type EvidencePiece, type NamedCause, weigh } from "./evidence.ts";
import { EXPLAINED_BY_OUTAGE, overlapUs, shareOut } from "./out-of-reach.ts";
import { isIn, lengthUs, type Neighbour, type OwnFrame, type Sight } from "./sight.ts";

const OF_ONE_NODE: readonly NamedCause[] = [
  "node-silent",
  "node-restarted",
  "rejoin-loop",
  "weak-link",
  "channel-mismatch",
  "shared-address",
];
const OF_THE_AIR: readonly NamedCause[] = ["interference", "congestion", "gateway-transmitting"];
const OF_THE_GATEWAY: readonly NamedCause[] = ["gateway-unreachable", "gateway-restarted"];

/** Counters lost in a row from which that is no mere bad luck among losses of single frames. Chosen: one in 30 at a half. */
const LEAST_BLACKOUT = 5;
/** Frames of a neighbour before the gap from which its rate is believed. */
const LEAST_FRAMES = 3;
/** Loss of all others together that is no healthy site's. Chosen: twice what makes a single node need a look. */
const MUCH_LOSS = 0.1;

export interface Proportion {
  readonly expected: number;
  readonly heard: number;
  readonly nodes: number;
}

/** Frames of the neighbours in a stretch against what their rates before and after it predict. */
export function proportionIn(sight: Sight, stretch: Stretch): Proportion {
  const { before, after, homes } = sight.scene;
  const deafUs = (span: Stretch) =>
    homes.length === 0
      ? 0
      : Math.min(...homes.map(({ outages }) => outages.reduce((sum, out) => sum + overlapUs(out, span), 0)));
  const watchedUs =
    Math.max(0, lengthUs(before) - deafUs(before)) + Math.max(0, lengthUs(after) - deafUs(after));
  if (!(watchedUs > 0)) return { expected: 0, heard: 0, nodes: 0 };
  let expected = 0;
  let heard = 0;
  let nodes = 0;
  for (const { frames } of sight.neighbours) {
    const around = frames.filter(({ atUs }) => isIn(before, atUs) || isIn(after, atUs)).length;
    if (around < LEAST_FRAMES) continue;
    // One that was there on one side only came or went by itself.
    const onBothSides =
      lengthUs(after) === 0 ||
      (frames.some(({ atUs }) => isIn(before, atUs)) && frames.some(({ atUs }) => atUs >= after.fromUs));
    if (!onBothSides && sight.neighbours.length > 3) continue;
    nodes += 1;
    expected += (around * lengthUs(stretch)) / watchedUs;
    heard += frames.filter(({ atUs }) => isIn(stretch, atUs)).length;
  }
  return { expected, heard, nodes };
}

/** For how long all home gateways were out within a stretch. */
function homesOutUs({ scene: { homes } }: Sight, stretch: Stretch): number {
  if (homes.length === 0) return 0;
  return Math.min(
    ...homes.map(({ outages }) => outages.reduce((sum, out) => sum + overlapUs(out, stretch), 0)),
  );
}

export interface Counted {
  readonly missed: number;
  readonly expected: number;
  readonly nodes: number;
}

/** Counters missed by neighbours within a stretch, each between its first and last frame heard in it. */
export function countedIn(neighbours: readonly Neighbour[], stretch: Stretch): Counted {
  let missed = 0;
  let expected = 0;
  let nodes = 0;
  for (const { frames } of neighbours) {
    const inside = frames.filter(({ atUs }) => isIn(stretch, atUs));
    if (inside.length < LEAST_FRAMES) continue;
    const first = Math.min(...inside.map(({ counter }) => counter));
    const last = Math.max(...inside.map(({ counter }) => counter));
    const span = last - first + 1;
    // A counter that ran away is another device or a restart, not loss.
    if (span > 50 * inside.length) continue;
    nodes += 1;
    expected += span;
    missed += span - inside.length;
  }
  return { missed, expected, nodes };
}

/** Shared by everyone or by this node alone. */
export function neighbourEvidence(sight: Sight): EvidencePiece[] {
  const { gap, within } = sight.scene;
  const restsOn = { ...within, ofNode: false, gatewayEui: sight.scene.homes[0]?.eui ?? null };
  const lane = "neighbours" as const;
  const pieces: EvidencePiece[] = [];
  const isBlackout = sight.heard === 0 || sight.lossWithin > 0.9;
  const stretch = innerStretch(sight);
  const { expected, heard, nodes } = proportionIn(sight, stretch);
  if (expected >= 3) {
    const share = heard / expected;
    const sure = Math.min(1, expected / 12);
    const figures = `${heard.toLocaleString("en-GB")} frames of ${nodes} other ${nodes === 1 ? "node" : "nodes"} were heard there meanwhile, ${Math.round(expected).toLocaleString("en-GB")} were to be expected`;
    if (share >= 0.7) {
      const weights = isBlackout
        ? {
            ...weigh(1 * sure, ...OF_ONE_NODE),
            // What strikes frame by frame may strike a few in a row.
            ...weigh((sight.missed < LEAST_BLACKOUT ? -1 : -3.5) * sure, ...OF_THE_AIR),
            // A gap is longer than the outage that made it: what others sent around that came through.
            ...(shareOut(sight) >= EXPLAINED_BY_OUTAGE ? {} : weigh(-5 * sure, ...OF_THE_GATEWAY)),
            // Transmissions in step with a node's rhythm take all of its frames and a part of the others'.
            ...(share < 0.9 && sight.missed >= LEAST_BLACKOUT
              ? weigh(-1.5 * sure, "gateway-transmitting")
              : {}),
          }
        : weigh(-1.5 * sure, ...OF_THE_GATEWAY);
      pieces.push({ sentence: `The others went on: ${figures}.`, lane, restsOn, weights });
    } else if (share <= 0.3) {
      // A gateway that answers its keepalives and hears nobody is drowned by something, or its receiver is broken; one
      // that hears again by itself was not broken.
      const alive = homesOutUs(sight, stretch) < 0.2 * lengthUs(stretch);
      // What still comes through comes on the channels, or from the nodes, that were spared.
      const nobody = share <= 0.05;
      pieces.push({
        sentence: `The others vanished with it${alive ? " although the gateway was in reach" : ""}: ${figures}.`,
        lane,
        restsOn,
        weights: {
          ...weigh(-4 * sure, ...OF_ONE_NODE),
          ...(nobody ? {} : weigh(-1 * sure, "channel-mismatch")),
          ...weigh(1.5 * sure, ...OF_THE_GATEWAY),
          ...weigh(0.5 * sure, ...OF_THE_AIR),
          ...(alive ? { interference: (gap.open || !nobody ? 1.5 : 4) * sure, congestion: -1 * sure } : {}),
        },
      });
    } else {
      pieces.push({
        sentence: `The others came through in part: ${figures}.`,
        lane,
        restsOn,
        weights: { ...weigh(-1 * sure, ...OF_ONE_NODE), ...weigh(1 * sure, ...OF_THE_AIR) },
      });
    }
  }
  if (!isBlackout || gap.kind === "steady")
    pieces.push(...lossOfOthers(sight, restsOn), ...together(sight, restsOn));
  return pieces;
}

/** Whether the losses of single nodes scatter about their common share by chance alone, and this node's among them. */
function lossesAreAlike(neighbours: readonly Neighbour[], stretch: Stretch, own: number): boolean {
  const counts = neighbours.map((one) => countedIn([one], stretch)).filter(({ expected }) => expected >= 20);
  if (counts.length < 3) return false;
  const expected = counts.reduce((sum, one) => sum + one.expected, 0);
  const share = counts.reduce((sum, one) => sum + one.missed, 0) / expected;
  if (share <= 0.05 || share >= 0.95 || Math.abs(own - share) > 0.12) return false;
  const chiSquare = counts.reduce(
    (sum, one) => sum + (one.missed - share * one.expected) ** 2 / (share * (1 - share) * one.expected),
    0,
  );
  // Mean and spread of chi-square are its degrees of freedom and the root of twice that.
  return chiSquare < counts.length + 3 * Math.sqrt(2 * counts.length);
}

/** Moments compared, and misses among them, from which losses of several nodes are seen to come together or not. Chosen. */
const LEAST_PAIRS = 40;
const LEAST_MISSES = 10;
/** Three standard errors: that much chance seldom does. */
const TOGETHER_Z = 3;

/**
 * Whether the nodes lose their frames at the same moments: what comes and goes (a jammer that pulses) takes all of
 * them while it is there, what strikes each frame by itself (collisions, channels not listened on) does not. Moments of
 * different nodes that follow one another are compared (autocorrelation at lag one of a series of misses and hits).
 */
function together(sight: Sight, restsOn: EvidencePiece["restsOn"]): EvidencePiece[] {
  const within = withoutEdges(sight.scene.within);
  const moments = [
    ...momentsOf(0, sight.own, within),
    ...sight.neighbours.flatMap(({ frames }, i) => momentsOf(i + 1, frames, within)),
  ].sort((a, b) => a.atUs - b.atUs);
  const missed = moments.filter(({ isMissed }) => isMissed).length;
  const share = missed / Math.max(1, moments.length);
  const pairs = moments.flatMap((one, i) => {
    const next = moments[i + 1];
    return next === undefined || next.node === one.node ? [] : [{ one, next }];
  });
  if (pairs.length < LEAST_PAIRS || missed < LEAST_MISSES || share > 0.9) return [];
  const deviation = ({ isMissed }: Moment) => (isMissed ? 1 : 0) - share;
  const correlation =
    pairs.reduce((sum, { one, next }) => sum + deviation(one) * deviation(next), 0) /
    (pairs.length * share * (1 - share));
  const z = correlation * Math.sqrt(pairs.length);
  if (z < TOGETHER_Z) return [];
  return [
    {
      sentence: `The nodes lose their frames at the same moments: of ${missed.toLocaleString("en-GB")} losses among ${moments.length.toLocaleString("en-GB")} frames of all of them, more follow on one another's than chance allows (correlation ${correlation.toFixed(2)}, ${z.toFixed(1)} standard errors).`,
      lane: "neighbours",
      restsOn,
      weights: {
        interference: 2,
        ...weigh(-1.5, "channel-mismatch", "congestion"),
        ...weigh(-1, "weak-link", "shared-address"),
      },
    },
  ];
}

interface Moment {
  readonly node: number;
  readonly atUs: number;
  readonly isMissed: boolean;
}

/** Hits and misses of one node in a stretch; misses are spread evenly between the frames around them. */
function momentsOf(node: number, frames: readonly OwnFrame[], stretch: Stretch): Moment[] {
  const moments: Moment[] = [];
  const inside = frames.filter(({ atUs }) => isIn(stretch, atUs));
  inside.forEach((frame, i) => {
    const before = inside[i - 1];
    const steps = before === undefined ? 1 : frame.counter - before.counter;
    // A counter that ran away is another device or a restart; one that fell came late.
    if (before !== undefined && steps > 1 && steps <= 50) {
      for (let k = 1; k < steps; k++) {
        moments.push({ node, atUs: before.atUs + (k * (frame.atUs - before.atUs)) / steps, isMissed: true });
      }
    }
    moments.push({ node, atUs: frame.atUs, isMissed: false });
  });
  return moments;
}

/** Without the edges, where the trouble of all may not have begun or be over. */
export function withoutEdges({ fromUs, toUs }: Stretch): Stretch {
  const edgeUs = 0.12 * (toUs - fromUs);
  return { fromUs: fromUs + edgeUs, toUs: toUs - edgeUs };
}

/** The gap without its edges: the frames at both ends were heard. */
function innerStretch({ scene: { gap, within } }: Sight): Stretch {
  const edgeUs = Math.min(gap.rhythmUs === null ? 0 : gap.rhythmUs / 2, lengthUs(within) / 4);
  return { fromUs: within.fromUs + edgeUs, toUs: within.toUs - (gap.open ? 0 : edgeUs) };
}

/** Collisions strike those who share a data rate: whether the others at the node's own are spared, so far as they can tell. */
function isAloneAtItsRate(sight: Sight): boolean {
  const { missed, expected } = countedIn(atItsRate(sight), sight.scene.within);
  return expected >= 30 && wilsonInterval(missed, expected).high < 0.5 * sight.lossRange.low;
}

/** The neighbours that send at the node's data rate. */
function atItsRate({ neighbours, ownWithin, ownBefore }: Sight): Neighbour[] {
  const rate = ownWithin.at(-1)?.dataRate ?? ownBefore.at(-1)?.dataRate;
  return neighbours.filter(({ frames }) => frames.at(-1)?.dataRate === rate);
}

function lossOfOthers(sight: Sight, restsOn: EvidencePiece["restsOn"]): EvidencePiece[] {
  const { before, within } = sight.scene;
  const now = countedIn(sight.neighbours, within);
  if (now.expected < 30) return [];
  const then = countedIn(sight.neighbours, before);
  const nowLoss = wilsonInterval(now.missed, now.expected);
  const thenLoss = then.expected >= 30 ? then.missed / then.expected : 0.02;
  const own = sight.lossWithin;
  const figures = `${now.nodes} other ${now.nodes === 1 ? "node" : "nodes"} lost ${percent(now.missed / now.expected)} of ${now.expected.toLocaleString("en-GB")} counters meanwhile${then.expected >= 30 ? `, ${percent(thenLoss)} before` : ""}`;
  const lane = "neighbours" as const;
  const rose = nowLoss.low > 1.5 * thenLoss + 0.01;
  // What others lost before as well may have begun with them: much loss of all is no trouble of one node.
  if (now.missed / now.expected > 0.25 * own && (rose || nowLoss.low > MUCH_LOSS)) {
    const alike = lossesAreAlike(sight.neighbours, within, own);
    return [
      {
        sentence: `Others lost frames as well${alike ? ", each the same share, weak or strong" : ""}: ${figures}.`,
        lane,
        restsOn,
        weights: alike
          ? {
              // A gateway that lacks channels, is deaf at times or drowned at times takes the same from everyone.
              ...weigh(-2.5, ...OF_ONE_NODE),
              "channel-mismatch": rose ? 0 : 0.5,
              "gateway-transmitting": 1.5,
              interference: 1.5,
              congestion: 0.5,
            }
          : {
              ...weigh(-2, ...OF_ONE_NODE),
              // A gateway that lacks channels is met as well, less often.
              "channel-mismatch": -1,
              ...weigh(rose ? 1.5 : 1, ...OF_THE_AIR),
            },
      },
    ];
  }
  // The trouble of the air strikes weak nodes first: that strong ones are spared says less.
  if (
    nowLoss.high < Math.max(0.35 * Math.min(own, sight.lossRange.low * 1.5), 0.03) ||
    (nowLoss.high < 1.2 * thenLoss + 0.02 && nowLoss.high < MUCH_LOSS)
  ) {
    return [
      {
        sentence: `It is alone with it: ${figures}.`,
        lane,
        restsOn,
        weights: {
          ...weigh(1, ...OF_ONE_NODE),
          ...weigh(-2, ...OF_THE_AIR),
          ...weigh(-2, ...OF_THE_GATEWAY),
          ...(isAloneAtItsRate(sight) ? {} : { congestion: -0.3 }),
        },
      },
    ];
  }
  return [];
}

/** Losses at which a rise among the others is looked for, and bounds of what they lose otherwise. Chosen, as for one node. */
const RAISED = [0.1, 0.25, 0.6] as const;
const USUAL = { misses: 0.5, counters: 25, least: 0.01, most: 0.05 } as const;

/**
 * How much likelier what the others lost meanwhile is with a rise than without (natural logarithm): of all of them, or
 * of those at the node's data rate, whichever says more.
 */
export function surpriseOfOthers(sight: Sight): number {
  return Math.max(surpriseIn(sight.neighbours, sight), surpriseIn(atItsRate(sight), sight) - Math.LN2);
}

function surpriseIn(neighbours: readonly Neighbour[], { scene: { before, within } }: Sight): number {
  const now = countedIn(neighbours, within);
  const then = countedIn(neighbours, before);
  const usual = (then.missed + USUAL.misses) / (then.expected + USUAL.counters);
  const loss = Math.min(USUAL.most, Math.max(USUAL.least, usual));
  const ratios = RAISED.map(
    (raised) =>
      now.missed * Math.log(raised / loss) +
      (now.expected - now.missed) * Math.log((1 - raised) / (1 - loss)),
  );
  return Math.max(...ratios) - Math.log(RAISED.length);
}
