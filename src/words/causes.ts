/** The causes that a finding may name, and their labels. The one list: findings, contract, commands, report and dashboard take it from here. */
import { percent, plural } from "./format.ts";

/** In the order in which ties are broken; `unexplained` is what remains. */
export const CAUSES = [
  "gateway-unreachable",
  "gateway-restarted",
  "gateway-deaf",
  "gateway-weakened",
  "backhaul-loss",
  "node-silent",
  "node-restarted",
  "rejoin-loop",
  "weak-link",
  "interference",
  "congestion",
  "channel-mismatch",
  "gateway-transmitting",
  "shared-address",
] as const;
export type NamedCause = (typeof CAUSES)[number];
export type CauseWord = NamedCause | "unexplained";

/** A cause in a few words, to stand after a figure. */
export const CAUSE_LABELS: Readonly<Record<CauseWord, string>> = {
  "gateway-unreachable": "gateway unreachable",
  "gateway-restarted": "gateway restarted",
  "gateway-deaf": "gateway radio deaf",
  "gateway-weakened": "gateway hears all nodes weaker",
  "backhaul-loss": "datagrams lost on the backhaul",
  "node-silent": "node silent",
  "node-restarted": "node restarted",
  "rejoin-loop": "joins in a loop",
  "weak-link": "weak link",
  interference: "interference",
  congestion: "congestion",
  "channel-mismatch": "channels that the gateway does not listen on",
  "gateway-transmitting": "gateway transmitting itself",
  "shared-address": "shared address",
  unexplained: "unexplained",
};

// How sure is a finding, in one word? One scale for the findings of gaps, their episodes, and every view that shows them:
// the word follows from the figure alone, so that a higher figure never carries a weaker word.

export type Certainty = "certain" | "likely" | "possible" | "undecided";

/** A cause is named from this confidence on; below it the finding is "undecided". Chosen: right in two of three at the least. */
export const POSSIBLE_FROM = 0.7;
/** Chosen: wrong in one of five at the most. */
const LIKELY_FROM = 0.8;
/** Chosen: wrong in one of twenty at the most. A proof (a counter that began at zero, a valid MIC) lifts the figure this far. */
export const CERTAIN_FROM = 0.95;

/** The word for a confidence of 0 to 1. An unexplained gap is always undecided, whatever its figure. */
export function certaintyOf(cause: string, confidence: number): Certainty {
  if (cause === "unexplained" || confidence < POSSIBLE_FROM) return "undecided";
  if (confidence < LIKELY_FROM) return "possible";
  return confidence < CERTAIN_FROM ? "likely" : "certain";
}

/** The word as it stands before a cause in a sentence: "likely the signal was too weak". Nothing where the finding is certain. */
export function certaintyPrefix(word: Certainty): string {
  return word === "likely" ? "likely " : word === "possible" ? "possibly " : "";
}

/** "82 %": never rounded up to a certainty that it is not. `confidence`: 0 to 1. */
export function confidenceText(confidence: number): string {
  return percent(Math.floor(confidence * 100) / 100, 0);
}

/** "likely, 82 %". No figure beside a gap that nothing explains. */
export function confidenceWords({ word, confidence }: { word: Certainty; confidence: number }): string {
  return word === "undecided" ? word : `${word}, ${confidenceText(confidence)}`;
}

interface Shared {
  readonly nodes: number;
  readonly gateway: string | null;
  readonly gatewayName: string | null;
}

/** Whom a shared gap struck: "3 nodes at Packing shed", "5 nodes of the whole site", or the gateway when no node lost by it. */
export function episodeTitle({ nodes, gateway, gatewayName }: Shared): string {
  const where = gatewayName ?? gateway;
  if (nodes === 0) return where ?? "a gateway";
  const who = plural(nodes, "node");
  return where === null ? `${who} of the whole site` : `${who} at ${where}`;
}
