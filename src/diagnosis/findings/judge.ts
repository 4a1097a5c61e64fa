/**
 * Why was this missed? All families of evidence look at the scene, their pieces are combined, and the finding is put in
 * words: one sentence, how sure it is, and, where it is not, what to record next.
 */
import type { GapJudgement, Scene } from "../../model/gap.ts";
import { formatDevAddr } from "../../model/identifiers.ts";
import type { NamedText } from "../../model/text.ts";
import { certaintyPrefix } from "../../words/causes.ts";
import { duration, figure } from "../../words/format.ts";

import { channelEvidence } from "./channels.ts";
import { isSharedSide, sharedSideEvidence } from "./coincidence.ts";
import { surpriseOfOthers } from "./company.ts";
import { counterEvidence, sharedEvidence } from "./counters.ts";
import { deafEvidence } from "./deaf.ts";
import { type CauseWord, combine, type EvidencePiece, type Judged } from "./evidence.ts";
import { gatewayEvidence } from "./gateway.ts";
import { dataRateEvidence, marginEvidence } from "./margin.ts";
import { neighbourEvidence } from "./neighbours.ts";
import { noiseEvidence } from "./noise.ts";
import { type Sight, sightOf } from "./observations.ts";
import { loadEvidence, transmitEvidence } from "./predicted-loss.ts";
import { weakenedEvidence } from "./weakened.ts";

const FAMILIES: readonly ((sight: Sight) => EvidencePiece[])[] = [
  gatewayEvidence,
  sharedSideEvidence,
  deafEvidence,
  weakenedEvidence,
  counterEvidence,
  neighbourEvidence,
  marginEvidence,
  dataRateEvidence,
  noiseEvidence,
  loadEvidence,
  channelEvidence,
  transmitEvidence,
  sharedEvidence,
];

/** The finding for one gap. Says `unexplained` where the evidence names no cause. */
export function judgeGap(scene: Scene): GapJudgement {
  const sight = sightOf(scene);
  const judged = combine(FAMILIES.flatMap((family) => family(sight)));
  const isShared = SHARED_CAUSES.has(judged.cause);
  const { cause, confidence, word, evidence, against, alternatives } = judged;
  return {
    isChance: scene.gap.lacking > 0 && !(isShared || surpriseOfOthers(sight) >= scene.gap.lacking),
    cause,
    confidence,
    word,
    evidence,
    against,
    alternatives,
    sentence: sentenceOf(judged, scene, isSharedSide(sight)),
    recordNext: isSettled(judged, scene) ? [] : recordNext(judged, scene),
    scope: !isShared
      ? "node"
      : (scene.homes.length > 1 || isSharedSide(sight)) && !OF_ONE_GATEWAY.has(cause)
        ? "site"
        : "gateway",
    // What a gateway that is not the first alone tells weighs too little to be named.
    gatewayId: isShared ? (scene.homes[0]?.id ?? null) : null,
  };
}

/** Nothing more need be recorded: the finding is sure enough, and the gap is over. */
function isSettled({ word }: Judged, { gap }: Scene): boolean {
  return word === "certain" || (word === "likely" && !gap.open);
}

const SHARED_CAUSES: ReadonlySet<CauseWord> = new Set([
  "gateway-unreachable",
  "gateway-restarted",
  "gateway-deaf",
  "gateway-weakened",
  "backhaul-loss",
  "interference",
  "congestion",
  "gateway-transmitting",
]);

/** Of one gateway also where several hear the node. */
const OF_ONE_GATEWAY: ReadonlySet<CauseWord> = new Set(["gateway-deaf", "gateway-weakened", "backhaul-loss"]);

const WORDS: Readonly<Record<CauseWord, string>> = {
  "gateway-unreachable": "the gateway could not be reached; the node continued to send",
  "gateway-restarted": "the gateway restarted; the node continued to send",
  "gateway-deaf": "the gateway's radio heard nothing; the gateway itself continued to report",
  "gateway-weakened": "the gateway hears all nodes weaker than before",
  "backhaul-loss": "datagrams were lost between gateway and listener",
  "node-silent": "the node did not send",
  "node-restarted": "the node restarted",
  "rejoin-loop": "the node keeps asking to join and gets no lasting session",
  "weak-link": "the signal was too weak",
  interference: "something else disturbed the channels",
  congestion: "frames collided: too many shared its channels and data rate",
  "channel-mismatch": "the node uses channels that the gateway does not listen on",
  "gateway-transmitting": "the gateway was transmitting itself and could not listen",
  "shared-address": "two devices use this address",
  unexplained: "",
};

/** "Lost 14 counters in 23 min, most likely because …". Also for the strip of a node's page. */
function sentenceOf(judged: Judged, { gap, successor }: Scene, isShared: boolean): NamedText {
  if (judged.cause === "node-restarted" && gap.open && successor !== null) {
    const away = duration((successor.firstAtUs - gap.fromUs) / 1e6);
    return [
      `Interrupted for ${away}: ${certaintyPrefix(judged.word)}the node restarted and continues as `,
      { node: formatDevAddr(successor.devAddr) },
      ".",
    ];
  }
  const long = duration((gap.toUs - gap.fromUs) / 1e6);
  const count = (n: number) => `${figure(n)} ${n === 1 ? "counter" : "counters"}`;
  const what =
    gap.kind === "silence"
      ? gap.open
        ? `Silent for ${long}`
        : `Silent for ${long}${gap.missed > 0 ? `, ${count(gap.missed)} missed` : ""}`
      : gap.kind === "steady"
        ? `Lost ${count(gap.missed)} of ${figure(gap.missed + gap.heard)} over ${long}`
        : gap.missed === 0
          ? `Interrupted for ${long}`
          : `Missed ${count(gap.missed)} in ${long}`;
  if (judged.cause === "unexplained") {
    return `${what}. Cause unknown.`;
  }
  const words =
    judged.cause === "gateway-unreachable" && isShared
      ? "no gateway could be reached; check the side that all share first, this listener and its network"
      : WORDS[judged.cause];
  return `${what}: ${certaintyPrefix(judged.word)}${words}.`;
}

function recordNext(judged: Judged, scene: Scene): string[] {
  const { homes, gap } = scene;
  const next: string[] = [];
  const nothingForwarded = homes.every(({ reports }) => reports.length === 0);
  const noTransmissions = homes.every(({ transmissions }) => transmissions.length === 0);
  const candidates = new Set<CauseWord>([judged.closest, ...judged.alternatives.map(({ cause }) => cause)]);
  if (gap.open)
    next.push("Wait until it is heard again: its counter will tell whether it continued to send.");
  if (homes.length < 2 && (candidates.has("weak-link") || candidates.has("node-silent"))) {
    next.push(
      "Put up a second gateway for a day: what both miss was not sent, or never left the node's surroundings.",
    );
  }
  if (candidates.has("interference") || candidates.has("congestion")) {
    next.push(
      "Let the gateway forward packets with a wrong CRC (forward_crc_error): they tell collisions from weakness.",
    );
  }
  if (nothingForwarded)
    next.push("Leave the gateway's status report at 30 s: it counts what was heard and sent.");
  if (candidates.has("gateway-deaf")) {
    next.push("Restart the gateway's forwarder: a radio that hangs hears again after it.");
    if (homes.length < 2)
      next.push(
        "Place a second gateway or a test node beside it: what that hears and it does not shows its radio.",
      );
  }
  if (noTransmissions && candidates.has("gateway-transmitting")) {
    next.push("Run Mastlog between gateway and network server: then it sees when the gateway transmits.");
  }
  if (candidates.has("channel-mismatch") && candidates.has("interference")) {
    next.push(
      "Read the channels from the gateway's configuration, or scan the spectrum there: a jammed channel and one that is not listened on look the same from here.",
    );
  } else if (candidates.has("channel-mismatch")) {
    next.push("Compare the channels that the node was given with those that the gateway listens on.");
  }
  if (candidates.has("shared-address") || candidates.has("node-restarted")) {
    next.push("Enter the node's keys: its MIC tells devices and restarts apart.");
  }
  return next.slice(0, 4);
}
