/**
 * Did the node send at all? When it is heard again its counter tells: it went on as the rhythm predicts (frames were
 * sent and lost), it stood still (none was sent), or it began anew (a restart). Join-requests tell of a node that lost
 * its session.
 */

import type { SceneReception } from "../../model/gap.ts";
import { formatDevAddr } from "../../model/identifiers.ts";
import { chanceOfInterval } from "../../statistics/distributions.ts";
import { duration, figure, percentInWords } from "../../words/format.ts";

import { clampWeight, type EvidencePiece, weigh } from "./evidence.ts";
import type { Sight } from "./observations.ts";

const SENT_AND_LOST = [
  "gateway-unreachable",
  "gateway-restarted",
  "weak-link",
  "interference",
  "congestion",
  "channel-mismatch",
  "gateway-transmitting",
] as const;

/** Join-requests of one device within an hour that make a loop when no lasting session follows. Common practice, no source. */
const LOOP_REQUESTS = 3;
const HOUR_US = 3_600_000_000;
const SAME_REQUEST_US = 2_500_000;
/** A restart takes a few intervals; a silence of more was something else first. Chosen. */
const RESTART_INTERVALS = 10;

export function counterEvidence(sight: Sight): EvidencePiece[] {
  const { gap, nextLife } = sight.scene;
  const restsOn = { fromUs: gap.fromUs, toUs: gap.toUs, ofNode: true, gatewayEui: null };
  const lane = "counters" as const;
  const expected = gap.expectedByRhythm;
  const due = expected === null ? "" : `, ${figure(Math.round(expected))} were due by its rhythm`;
  const loop = loopEvidence(sight);
  if (endsInRestart(sight) && nextLife !== null) {
    const long = expected !== null && expected > RESTART_INTERVALS;
    const began = nextLife.begunBy === "join" ? "after a join-request" : "without a join";
    return [
      {
        sentence: `Its counter restarted at ${figure(nextLife.firstCounter)} ${began}, ${duration((nextLife.firstAtUs - gap.fromUs) / 1e6)} after its last frame.`,
        lane,
        restsOn,
        weights: {
          ...weigh(-4, ...SENT_AND_LOST),
          // That it restarted is proved; after a long silence it was without power, or stopped, first.
          "node-restarted": long ? 5.5 : 6,
          "node-silent": long ? 1 : -2,
          "shared-address": -1,
        },
        proves: "node-restarted" as const,
      },
      ...loop,
    ];
  }
  if (gap.kind === "silence" && gap.open)
    return [openSilence(sight, restsOn, due), ...successorEvidence(sight), ...loop];
  if (gap.kind === "silence" && endsUnrecorded(sight)) {
    const long = expected !== null && expected > RESTART_INTERVALS;
    return [
      {
        sentence: `Nothing came from it for ${duration((gap.toUs - gap.fromUs) / 1e6)}${due}, until nothing was recorded. When it was heard again, its counter had restarted.`,
        lane,
        restsOn,
        weights: {
          ...weigh(-3, ...SENT_AND_LOST),
          // When it restarted nobody recorded; how long it was silent before is not known either.
          "node-restarted": long ? 4 : 5,
          "node-silent": long ? 1.5 : 0,
          "shared-address": -1,
        },
      },
      ...loop,
    ];
  }
  if (gap.kind === "silence") {
    const pause = pauseChance(sight, gap.missed + 1);
    return [
      {
        sentence: `Its counter ${gap.missed === 0 ? "did not advance" : `advanced by only ${figure(gap.missed + 1)}`} over ${duration((gap.toUs - gap.fromUs) / 1e6)}${due}${gap.missed === 0 ? ": nothing was lost" : ": it did not send"}, ${pauseWords(pause)}.`,
        lane,
        restsOn,
        weights: {
          ...weigh(gap.missed <= 1 ? -5 : -3, ...SENT_AND_LOST),
          "node-silent": clampWeight(silentWeight(pause), gap.missed <= 1 ? 5 : 3.5),
        },
        ...(gap.missed <= 1 && pause.chance < PROVED_BELOW ? { proves: "node-silent" as const } : {}),
      },
      ...loop,
    ];
  }
  const step = gap.missed + gap.heard + 1;
  const isFewer = expected !== null && step < 0.6 * expected;
  return [
    {
      sentence: `It continued to send: its counter advanced by ${figure(step)}${due}, and ${percentInWords(gap.missed / Math.max(1, gap.missed + gap.heard))} of them were lost.`,
      lane,
      restsOn,
      weights: {
        ...weigh(isFewer ? -2 : -5, "node-silent", "node-restarted", "rejoin-loop"),
        // What is sent and lost to the last frame is stopped on its way, or sent where nobody listens.
        // A few in a row may be bad luck of another kind.
        ...(gap.heard === 0
          ? {
              "weak-link": Math.min(1.3, 0.25 * gap.missed),
              "channel-mismatch": -0.5,
              congestion: gap.missed < 5 ? 0 : -2,
            }
          : {}),
      },
    },
  ];
}

/**
 * A silence that no frame of the life ends, but a time in which nothing was recorded: the life did not go on after it
 * (the ledger closes a silence there only when a new life took its place).
 */
function endsUnrecorded({ own, scene: { gap, homes } }: Sight): boolean {
  return (
    homes.some(({ notRecorded }) =>
      notRecorded.some(({ fromUs, toUs }) => fromUs <= gap.toUs && toUs > gap.toUs),
    ) && !own.some(({ atUs }) => atUs >= gap.toUs)
  );
}

/** How often a silence of a node that stands out is a fault, against its own pauses. Chosen, no source. */
const FAULT_SHARE = 0.05;
/** Below this its own intervals do not explain a silence. Chosen. */
const PROVED_BELOW = 1e-3;

interface Pause {
  readonly frames: number;
  /** That an interval of its own is so long. */
  readonly chance: number;
}

/** How likely the node pauses so long by itself, judged by its intervals before the gap; `steps` counters lie in it. */
function pauseChance({ ownBefore, scene: { gap } }: Sight, steps: number): Pause {
  const stepsUs = ownBefore.flatMap((frame, i) => {
    const last = ownBefore[i - 1];
    const step = last === undefined ? 0 : frame.counter - last.counter;
    return last === undefined || step < 1 ? [] : [(frame.atUs - last.atUs) / step];
  });
  return {
    frames: stepsUs.length + 1,
    chance: chanceOfInterval(stepsUs, (gap.toUs - gap.fromUs) / steps),
  };
}

/** How much a silence says for a fault, against a pause of the node's own. */
function silentWeight({ chance }: Pause): number {
  return Math.log(FAULT_SHARE / chance);
}

function pauseWords({ frames, chance }: Pause): string {
  const before = `its ${figure(frames)} frames before`;
  return chance > FAULT_SHARE
    ? `and its own intervals reach so far (${before})`
    : `for longer than its own intervals explain (${before}; chance 1 in ${figure(Math.round(1 / chance))})`;
}

/** The life did not go on: its address began a new one. */
function endsInRestart({ scene: { gap, nextLife } }: Sight): boolean {
  return (
    nextLife !== null &&
    (nextLife.begunBy === "join" || nextLife.begunBy === "counter-reset") &&
    nextLife.firstAtUs >= gap.fromUs &&
    nextLife.firstAtUs <= gap.toUs
  );
}

function openSilence(sight: Sight, restsOn: EvidencePiece["restsOn"], due: string): EvidencePiece {
  const { gap } = sight.scene;
  const intervals = gap.expectedByRhythm ?? 0;
  return {
    sentence: `Nothing has come from it for ${duration((gap.toUs - gap.fromUs) / 1e6)}${due}; only its counter will tell whether it sent.`,
    lane: "counters",
    restsOn,
    weights: {
      // A whole silence is seldom the path's doing: paths fade, nodes stop. What is behind an obstacle looks the same.
      // Whether it sent is open, so a lone silence stays below what is certain.
      "node-silent": clampWeight(
        Math.min(0.9 + Math.min(0.8, intervals / 25), silentWeight(pauseChance(sight, 1))),
      ),
      "weak-link": -0.5,
      "channel-mismatch": -2,
      congestion: -3,
      interference: -1.5,
      "gateway-transmitting": -3,
      "node-restarted": -1.5,
      "rejoin-loop": -1,
    },
  };
}

function successorEvidence({ scene: { successor, gap } }: Sight): EvidencePiece[] {
  if (successor === null) return [];
  return [
    {
      sentence: [
        `A device joined (${successor.joinEui}) ${duration((successor.joinAtUs - gap.fromUs) / 1e6)} after its last frame, and `,
        { node: formatDevAddr(successor.devAddr) },
        " began at a low counter, in the same rhythm and as strong: most likely the same device under a new address.",
      ],
      lane: "joins",
      restsOn: {
        fromUs: successor.joinAtUs - 1,
        toUs: successor.firstAtUs + 1,
        ofNode: false,
        gatewayEui: null,
      },
      weights: { "node-restarted": 6, "node-silent": -2, "weak-link": -2 },
    },
  ];
}

/** Many join-requests that led to no lasting session. */
function loopEvidence(sight: Sight): EvidencePiece[] {
  const { scene } = sight;
  const requests = joinsOfDevice(sight);
  const busiest = fullestHour(requests);
  const first = requests[0];
  const last = requests.at(-1);
  if (first === undefined || last === undefined) return [];
  if (busiest < LOOP_REQUESTS) {
    // A single join belongs to a restart.
    return [];
  }
  const sure = scene.devEui === first.joinEui ? 1 : 0.8;
  return [
    {
      sentence: `${figure(requests.length)} join-requests of ${first.joinEui} were heard in ${duration(Math.max(1, (last.atUs - first.atUs) / 1e6))}, ${busiest} of them within an hour, and no lasting session followed.`,
      lane: "joins",
      restsOn: { fromUs: first.atUs - 1, toUs: last.atUs + 1, ofNode: false, gatewayEui: null },
      weights: { "rejoin-loop": 6.5 * sure, "node-silent": -2.5, "node-restarted": -3, "weak-link": -1.5 },
    },
  ];
}

/** Join-requests that belong to the node: of its DevEUI where that is known, else of the device that began to ask when the node fell silent. */
export function joinsOfDevice({ scene }: Sight): SceneReception[] {
  const { gap, receptions, devEui, after, nextLife } = scene;
  const newest = new Map<string, number>();
  const all = receptions.filter(({ joinEui, atUs }) => {
    if (joinEui === null) return false;
    // The same request at another gateway; a device asks again no sooner than its join-accept windows allow (5 s).
    const isSame = atUs - (newest.get(joinEui) ?? Number.NEGATIVE_INFINITY) < SAME_REQUEST_US;
    if (!isSame) newest.set(joinEui, atUs);
    return !isSame;
  });
  const during = all.filter(({ atUs }) => atUs >= gap.fromUs && atUs <= Math.max(gap.toUs, after.toUs));
  if (devEui !== null) return during.filter(({ joinEui }) => joinEui === devEui);
  // The request that a new life of the address followed was the node's own, however long it had been asking before.
  const own = all.filter(({ atUs }) => isJustBefore(atUs, nextLife)).at(-1);
  if (own !== undefined) return during.filter(({ joinEui }) => joinEui === own.joinEui);
  const askedBefore = new Set(all.filter(({ atUs }) => atUs < gap.fromUs).map(({ joinEui }) => joinEui));
  const strangers = during.filter(({ joinEui }) => !askedBefore.has(joinEui));
  const euis = [...new Set(strangers.map(({ joinEui }) => joinEui))];
  // Two devices that ask at once cannot be distinguished without a known DevEUI.
  return euis.length === 1 ? strangers : nearestInLevel(scene, strangers, euis);
}

/** A session's first frame follows its request soon. Common practice, no source. */
const FIRST_FRAME_US = 600_000_000;

function isJustBefore(atUs: number, nextLife: Sight["scene"]["nextLife"]): boolean {
  return (
    nextLife?.begunBy === "join" && atUs <= nextLife.firstAtUs && atUs > nextLife.firstAtUs - FIRST_FRAME_US
  );
}

function nearestInLevel(
  scene: Sight["scene"],
  requests: readonly SceneReception[],
  euis: readonly (string | null)[],
): SceneReception[] {
  const own = scene.receptions.filter(({ lifeId }) => lifeId === scene.gap.lifeId).slice(-40);
  const level = mean(own.map(({ rssiDbm }) => rssiDbm));
  if (level === null) return [];
  const distances = euis
    .map((eui) => {
      const theirs = mean(requests.filter(({ joinEui }) => joinEui === eui).map(({ rssiDbm }) => rssiDbm));
      return { eui, apart: theirs === null ? 99 : Math.abs(theirs - level) };
    })
    .sort((a, b) => a.apart - b.apart);
  const [nearest, next] = distances;
  if (nearest === undefined || nearest.apart > 5 || (next !== undefined && next.apart < nearest.apart + 4))
    return [];
  return requests.filter(({ joinEui }) => joinEui === nearest.eui);
}

function mean(values: readonly (number | null)[]): number | null {
  const numbers = values.filter((value): value is number => value !== null);
  return numbers.length === 0 ? null : numbers.reduce((a, b) => a + b, 0) / numbers.length;
}

function fullestHour(requests: readonly SceneReception[]): number {
  let most = 0;
  let first = 0;
  requests.forEach(({ atUs }, i) => {
    while ((requests[first]?.atUs ?? atUs) < atUs - HOUR_US) first += 1;
    most = Math.max(most, i - first + 1);
  });
  return most;
}

// Do two devices use one address? Two series of counters run side by side, with two rhythms or two strengths.

/** Changes from one series to the other and back from which they run side by side for sure. Chosen. */
const MIN_ALTERNATIONS = 3;

export function sharedEvidence({ scene }: Sight): EvidencePiece[] {
  const { shared, within } = scene;
  if (shared === null || shared.alternations < MIN_ALTERNATIONS) return [];
  const weight = Math.min(6.5, 3.5 + shared.alternations / 3);
  return [
    {
      sentence: `Two series of counters run side by side under this address: life ${scene.gap.life} and life ${shared.otherLife} took turns ${figure(shared.alternations)} times.`,
      lane: "counters",
      restsOn: { ...within, ofNode: true, gatewayEui: null },
      weights: {
        ...weigh(-2, "weak-link", "interference", "congestion", "channel-mismatch", "gateway-transmitting"),
        // Of two devices one is heard no more: that says little of the node.
        "node-silent": scene.gap.kind === "silence" ? -3.5 : -2,
        "shared-address": weight,
        "node-restarted": -4,
      },
      ...(shared.alternations >= 6 ? { proves: "shared-address" as const } : {}),
    },
  ];
}
