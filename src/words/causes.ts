/** The causes that a finding may name, and their labels. The one list: findings, contract, commands, report and dashboard take it from here. */

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
