/** Which causes may a finding name? The one list: the findings, the contract and the dashboard all take it from here. */

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
