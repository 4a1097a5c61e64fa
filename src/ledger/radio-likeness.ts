/**
 * Does a frame sound like the device of a life: its data rate, its level at a gateway? Weighed only between lives that
 * go on side by side under one address. Alone it decides nothing: a node that is moved, or told another data rate, is
 * still the same node.
 */

/** How the first hearing of a frame sounded. */
export interface RadioEvidence {
  /** Any number that is equal for equal data rates. */
  readonly dataRate: number;
  readonly gatewayId: number;
  /** Tenths of a dBm; null when the gateway did not say. */
  readonly rssiTenths: number | null;
}

/** What a life remembers of its sound. Plain data. */
export interface RadioMemory {
  dataRate: number;
  /** Smoothed level in tenths of a dBm, by gateway. */
  levels: Record<number, number>;
}

/** Spread of a node's level at one gateway: fading and people about, 8 dB (path-loss campaigns find 7 to 8 dB). */
const LEVEL_SPREAD_TENTHS = 80;
/** Levels never outweigh everything else. Chosen. */
const MOST_LEVEL_COST = 6;
/** A data rate changes now and then: a factor of about four and a half against it. Chosen. */
const DATA_RATE_COST = 1.5;
/** Weight of a new level in the smoothed one. Chosen. */
const LEVEL_WEIGHT = 0.25;

/** Minus a log-likelihood, 0 for a perfect likeness or where nothing is known. */
export function unlikeness(memory: RadioMemory | undefined, evidence: RadioEvidence | undefined): number {
  if (memory === undefined || evidence === undefined) return 0;
  const rate = memory.dataRate === evidence.dataRate ? 0 : DATA_RATE_COST;
  const level = memory.levels[evidence.gatewayId];
  if (level === undefined || evidence.rssiTenths === null) return rate;
  const apart = (evidence.rssiTenths - level) / LEVEL_SPREAD_TENTHS;
  return rate + Math.min(MOST_LEVEL_COST, apart ** 2 / 2);
}

/** The memory after one more frame. */
export function learned(memory: RadioMemory | undefined, evidence: RadioEvidence): RadioMemory {
  const levels = { ...memory?.levels };
  const { gatewayId, rssiTenths, dataRate } = evidence;
  if (rssiTenths !== null) {
    const before = levels[gatewayId] ?? rssiTenths;
    levels[gatewayId] = Math.round(before + LEVEL_WEIGHT * (rssiTenths - before));
  }
  return { dataRate, levels };
}
