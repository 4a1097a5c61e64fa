/** Two details of a frame on the air: when its header is over, and how far its carrier seems to be off. */
import { normal, type Random } from "./random.ts";
import type { Transmission } from "./transmission.ts";

// Explicit header after 8 symbols of preamble and 4.25 of synchronisation: 8 symbols (SX1272 data sheet Rev 2, 4.1.1.7).
const SYMBOLS_TO_HEADER_END = 12.25 + 8;

export function headerEndUs({ startUs, modulation }: Transmission): number {
  return startUs + (SYMBOLS_TO_HEADER_END * 2 ** modulation.spreadingFactor * 1e6) / modulation.bandwidthHz;
}

// Chosen: how far the estimate of one frame strays from the carrier's true offset.
const OFFSET_SCATTER_HZ = 25;

/** What the concentrator sees of the carrier's offset: the node's crystal against its own. */
export function offsetHz(transmission: Transmission, clockDriftPpm: number, scatter: Random): number {
  const ppm = transmission.crystalPpm - clockDriftPpm;
  return Math.round((ppm * transmission.frequencyHz) / 1e6 + OFFSET_SCATTER_HZ * normal(scatter));
}
