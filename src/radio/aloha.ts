/**
 * How many frames should be lost to collisions at a given load, if nodes send at random?
 * Abramson 1970, Roberts 1975 (from memory). Assumes random starts, no capture, enough demodulators: LoRa does
 * somewhat better, fleets with equal periods do much worse.
 */

/** Carried load of pure ALOHA at an offered load in Erlang: G e^-2G; at most 1/(2e) = 0.184 at G = 0.5. */
export function pureAlohaThroughput(offeredErlang: number): number {
  return offeredErlang * Math.exp(-2 * offeredErlang);
}

/** Carried load of slotted ALOHA: G e^-G; at most 1/e = 0.368 at G = 1. */
export function slottedAlohaThroughput(offeredErlang: number): number {
  return offeredErlang * Math.exp(-offeredErlang);
}

/** Share of frames lost in pure ALOHA: 1 - e^-2G. */
export function pureAlohaLoss(offeredErlang: number): number {
  return -Math.expm1(-2 * offeredErlang);
}

export interface CompetingTraffic {
  readonly framesPerHour: number;
  readonly airtimeUs: number;
}

/**
 * Chance that a frame meets no other on its channel and spreading factor, when lengths differ:
 * exp(-sum of rate x (own airtime + other airtime)).
 */
export function successAmongMixedTraffic(airtimeUs: number, others: readonly CompetingTraffic[]): number {
  let expected = 0;
  for (const other of others) {
    expected += (other.framesPerHour / 3_600_000_000) * (airtimeUs + other.airtimeUs);
  }
  return Math.exp(-expected);
}

/**
 * Offered load in Erlang that explains a share of collision-like failures: -ln(1 - c)/2; null for a share outside
 * 0 to below 1. Use only frames 5 dB above their floor: weak links and false detections fail too (derived).
 */
export function loadFromCollisionShare(share: number): number | null {
  return share >= 0 && share < 1 ? -Math.log1p(-share) / 2 : null;
}
