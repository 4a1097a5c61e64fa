/**
 * Did others fare the same meanwhile? Whether the frames of all other nodes at these gateways came in the proportion
 * that their rhythms predict, and whether they lost more counters than before: a trouble of one node leaves its
 * neighbours alone, a trouble of the gateway or of the air does not.
 */
import { isIn, lengthUs, type TimeRange } from "../../model/time-range.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { decibel, figure, percentInWords, plural } from "../../words/format.ts";
import { EXPLAINED_BY_OUTAGE, reachShare, shareOut, together } from "./coincidence.ts";
import {
  ALL_WEAKER,
  countedIn,
  innerStretch,
  isAloneAtItsRate,
  lossesAreAlike,
  MAX_BEYOND_CHANCE,
  MIN_EXPECTED,
  ONE_WEAKER,
  proportionIn,
  surpriseOfOthers,
  weakerNeighbours,
} from "./company.ts";
import { isRadioOpen } from "./deaf.ts";
import { type EvidencePiece, type NamedCause, onGap, type Piece, weigh } from "./evidence.ts";
import type { Sight } from "./observations.ts";

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
const MIN_BLACKOUT = 5;
/** How much a silence of all at a sound gateway says for its antenna. Chosen: less often than something that drowns all. */
const WITHOUT_ANTENNA = 4.5;
/** Loss of all others together that is no healthy site's. Chosen: twice what makes a single node need a look. */
const MUCH_LOSS = 0.1;
/** Loss of the others below which a node that loses more is alone with it: the most that a sound link loses (src/diagnosis/status.ts). */
const LITTLE_LOSS = 0.05;

/** Log odds from which a rise of the others' losses is no chance, and the most that it adds beyond. Chosen. */
const SURPRISING = 4;

/** Shared by everyone or by this node alone. */
export function neighbourEvidence(sight: Sight): EvidencePiece[] {
  const { gap } = sight.scene;
  const lane = "neighbours" as const;
  const pieces: Piece[] = [];
  const isBlackout = sight.heard === 0 || sight.lossWithin > 0.9;
  const stretch = innerStretch(sight);
  const { expected, heard, nodes } = proportionIn(sight, stretch);
  if (expected >= MIN_EXPECTED) {
    const share = heard / expected;
    // A short while before tells little of what is to be expected over a long one.
    const lookedAt = (lengthUs(sight.scene.before) + lengthUs(sight.scene.after)) / (0.5 * lengthUs(stretch));
    const sure = Math.min(1, expected / 12, lookedAt);
    const due = Math.round(expected);
    const wereHeard = `${plural(heard, "frame")} of ${plural(nodes, "other node")} ${heard === 1 ? "was" : "were"} heard there meanwhile`;
    const figures = `${wereHeard}, ${figure(due)} ${due === 1 ? "was" : "were"} to be expected`;
    if (share >= 0.7) {
      const weights = isBlackout
        ? {
            ...weigh(1 * sure, ...OF_ONE_NODE),
            // What strikes frame by frame may strike a few in a row.
            ...weigh((sight.missed < MIN_BLACKOUT ? -1 : -3.5) * sure, ...OF_THE_AIR),
            // A gap is longer than the outage that made it: what others sent around that came through.
            ...(shareOut(sight) >= EXPLAINED_BY_OUTAGE ? {} : weigh(-5 * sure, ...OF_THE_GATEWAY)),
            // Transmissions in step with a node's rhythm take all of its frames and a part of the others'.
            ...(share < 0.9 && sight.missed >= MIN_BLACKOUT
              ? weigh(-1.5 * sure, "gateway-transmitting")
              : {}),
          }
        : weigh(-1.5 * sure, ...OF_THE_GATEWAY);
      pieces.push({ sentence: `The others were heard as usual: ${figures}.`, lane, weights });
    } else if (share <= 0.3) {
      // A gateway that answers its keepalives and hears nobody is drowned by something, or its receiver is broken; one
      // that hears again by itself was not broken.
      const [home] = sight.scene.homes;
      const alive = home !== undefined && reachShare(home, sight, stretch) >= 0.8;
      // What still comes through comes on the channels, or from the nodes, that were spared.
      const nobody = share <= 0.05;
      // A receiver that still reads the strongest, or reads all again later by itself, is not broken.
      const drowned = gap.open ? (!nobody ? 2.5 : heard > 0 ? 4 : 1.5) : nobody ? 4 : 1.5;
      if (nobody) pieces.push(...silentTogether(sight, stretch));
      pieces.push({
        sentence: `Neighbours were lost at the same time${alive ? "; the gateway was reachable" : ""}: ${figures}.`,
        lane,
        weights: {
          ...weigh(-4 * sure, ...OF_ONE_NODE),
          ...(nobody ? {} : weigh(-1 * sure, "channel-mismatch")),
          ...weigh(1.5 * sure, ...OF_THE_GATEWAY),
          ...weigh(0.5 * sure, ...OF_THE_AIR),
          ...(alive ? { interference: drowned * sure, congestion: -1 * sure } : {}),
          // An antenna that is lost takes all of them as well.
          ...(alive && nobody ? { "gateway-weakened": WITHOUT_ANTENNA * sure } : {}),
        },
        ...(alive && nobody && isRadioOpen(sight, home, stretch)
          ? { leavesOpen: ["interference", "gateway-deaf"] as const }
          : {}),
      });
    } else {
      pieces.push({
        sentence: `The others came through in part: ${figures}.`,
        lane,
        // A gateway that lacks channels takes a part from everyone as well.
        weights: {
          ...weigh(-1 * sure, ...OF_ONE_NODE),
          "channel-mismatch": 0,
          ...weigh(1 * sure, ...OF_THE_AIR),
        },
      });
    }
  }
  const weaker = weakerNeighbours(sight);
  const isInPart = expected >= MIN_EXPECTED && heard / expected < 0.7;
  const isPartHeard = isInPart && heard / expected > 0.3 && gap.kind === "counters";
  if (weaker !== null && (weaker.nodes > 1 || isInPart))
    pieces.push({
      sentence: `What came of ${weaker.nodes === 1 ? "another node" : `${weaker.nodes} other nodes`} came ${decibel(weaker.byDb)} weaker than ${weaker.than}: noise takes no strength from a signal.`,
      lane: "margin",
      weights: {
        ...weigh(-3, "interference", "congestion", "gateway-transmitting", "channel-mismatch"),
        // The node's own fall is the same one.
        ...(weaker.nodes > 1 ? weigh(-3, "weak-link") : {}),
        "gateway-weakened": weaker.nodes > 1 ? ALL_WEAKER : ONE_WEAKER,
      },
    });
  if (expected < MIN_EXPECTED && isBlackout && gap.kind === "counters" && sight.missed >= MIN_BLACKOUT)
    pieces.push(noWitness(sight));
  // Of what takes a part from the others the weakest may lose all.
  if (!isBlackout || gap.kind === "steady" || isPartHeard) pieces.push(...lossOfOthers(sight));
  return onGap(sight.scene, pieces);
}

/**
 * A total loss of one node while no other node was due: its own link, the air and the way to the gateway look the same then. Only
 * the gateway's keepalives rule the last one out.
 */
function noWitness({ scene: { homes, within } }: Sight): Piece {
  const isReachKnown = homes.some(
    ({ keepaliveUs, keepalivesUs }) =>
      keepaliveUs !== null &&
      keepalivesUs.filter((atUs) => isIn(within, atUs)).length >= (0.8 * lengthUs(within)) / keepaliveUs,
  );
  return {
    sentence: `No other node was due there meanwhile${isReachKnown ? "" : ", and no keepalives show that the gateway was reachable"}: nothing tells a weak link from a loss that all share.`,
    lane: "neighbours",
    weights: {},
    leavesOpen: isReachKnown ? OPEN_WITHOUT_WITNESS : [...OPEN_WITHOUT_WITNESS, "gateway-unreachable"],
  };
}

/** Frames due at a gateway from which its silence says something, and what came of them at the most. Chosen. */
const MIN_DUE_AT_ONE = 6;
const NEXT_TO_NOTHING = 0.05;

/** Several reachable gateways that hear next to nothing at once: that is no radio and no antenna of one of them. */
function silentTogether(sight: Sight, stretch: TimeRange): Piece[] {
  const { homes, receptions, before } = sight.scene;
  const silent = homes.filter((home) => {
    const times = receptions.filter((one) => one.gatewayId === home.id && one.counter !== null);
    const due =
      (times.filter(({ atUs }) => isIn(before, atUs)).length * lengthUs(stretch)) /
      Math.max(1, lengthUs(before));
    const came = times.filter(({ atUs }) => isIn(stretch, atUs)).length;
    return due >= MIN_DUE_AT_ONE && came <= NEXT_TO_NOTHING * due && reachShare(home, sight, stretch) >= 0.8;
  });
  if (silent.length < 2) return [];
  return [
    {
      sentence: `${figure(silent.length)} gateways heard next to nothing at the same time, each of them reachable: no radio or antenna of one does that.`,
      lane: "neighbours",
      weights: { interference: 2.5, ...weigh(-4, "gateway-deaf", "gateway-weakened") },
    },
  ];
}

const OPEN_WITHOUT_WITNESS: readonly NamedCause[] = ["weak-link", "interference"];

/** Counters of the others beside the gap from which their loss there is weighed, and said. Chosen. */
const MIN_COMPARED = 30;

function lossOfOthers(sight: Sight): Piece[] {
  const { before, within, after } = sight.scene;
  const now = countedIn(sight.neighbours, within, sight);
  if (now.expected < 30) return [];
  const earlierThen = countedIn(sight.neighbours, before, sight);
  // A trouble that was there before anybody listened is seen by its end.
  const isByAfter = earlierThen.expected < MIN_COMPARED;
  const then = isByAfter ? countedIn(sight.neighbours, after, sight) : earlierThen;
  const nowLoss = wilsonInterval(now.missed, now.expected);
  const isKnown = then.expected >= MIN_COMPARED;
  const earlier = isKnown ? wilsonInterval(then.missed, then.expected) : null;
  const thenLoss = isKnown ? then.missed / then.expected : 0.02;
  const own = sight.lossWithin;
  const figures = `${plural(now.nodes, "other node")} lost ${percentInWords(now.missed / now.expected)} of ${figure(now.expected)} counters meanwhile${isKnown ? `, ${percentInWords(thenLoss)} ${isByAfter ? "after" : "before"}` : ""}${now.isTrimmed ? " (the one that lost most left out)" : ""}`;
  const lane = "neighbours" as const;
  // Without a before nobody knows whether it began; a few counters of it do not tell either.
  const rose = earlier !== null && nowLoss.low > 1.5 * thenLoss + 0.01 && (nowLoss.ratio ?? 0) > earlier.high;
  // What others lost before as well may have begun with them: much loss of all is no trouble of one node.
  if (now.missed / now.expected > 0.25 * own && (rose || nowLoss.low > MUCH_LOSS)) {
    const alike = lossesAreAlike(sight);
    // What all lose at once is seldom without one of the causes that all share; the less, the less chance explains it.
    const beyondChance = Math.min(
      MAX_BEYOND_CHANCE,
      Math.max(0, (surpriseOfOthers(sight) - SURPRISING) / 10),
    );
    const shared = rose ? 2.2 + beyondChance : 1.6;
    return [
      {
        sentence: `Others lost frames as well${alike ? ", each the same share, weak or strong" : ""}: ${figures}.`,
        lane,
        weights: alike
          ? {
              // A gateway that lacks channels, is deaf at times or drowned at times takes the same from everyone.
              ...weigh(-2.5, ...OF_ONE_NODE),
              "channel-mismatch": rose ? beyondChance : 1,
              "gateway-transmitting": shared,
              interference: shared,
              congestion: 0.5 + (rose ? beyondChance : 0),
            }
          : {
              ...weigh(-2, ...OF_ONE_NODE),
              // A gateway that lacks channels is met as well, less often.
              "channel-mismatch": rose ? beyondChance - 1 : -1,
              ...weigh(shared, ...OF_THE_AIR),
            },
      },
      ...together(sight),
    ];
  }
  // The trouble of the air strikes weak nodes first: that strong ones are spared says less.
  if (
    (!rose && nowLoss.high < Math.max(0.35 * Math.min(own, sight.lossRange.low * 1.5), 0.03)) ||
    (nowLoss.high < 1.2 * thenLoss + 0.02 && nowLoss.high < LITTLE_LOSS)
  ) {
    const isAlone = (nowLoss.ratio ?? 0) < LITTLE_LOSS;
    return [
      {
        sentence: `${isAlone ? "It is alone with it" : "Others lost far less"}: ${figures}.`,
        lane,
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
