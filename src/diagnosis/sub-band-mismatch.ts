/**
 * Does a node hop over all 64 channels of a fixed plan while the gateway listens to 8?
 */
import { type ProportionInterval, wilsonInterval } from "../statistics/wilson.ts";

/** Share of frames heard when `heardChannels` of `usedChannels` are listened to: 8 of 64 is 0.125. */
export function heardShare(heardChannels: number, usedChannels: number): number {
  return heardChannels / usedChannels;
}

/** Mean and standard deviation of heard frames among `frames`, each on a channel chosen independently. */
export function heardFrames(frames: number, share: number): { readonly mean: number; readonly sd: number } {
  return { mean: frames * share, sd: Math.sqrt(frames * share * (1 - share)) };
}

export interface SubBandTest {
  /** Delivery ratio with its Wilson 95 % interval. */
  readonly interval: ProportionInterval;
  readonly mismatch: boolean;
}

/** Median margin below which weak reception may explain the losses, dB. Derived. */
export const LEAST_MARGIN_DB = 5;

/**
 * A mismatch shows as a delivery ratio of 8/64 = 0.125 (RP002, US902-928: 64 channels of 125 kHz) from a node with good
 * margin: the interval must contain 0.125 and exclude 0.25, which needs about 50 frames. Derived. `usedChannels`: of
 * plans with more or fewer channels (CN470).
 */
export function subBandMismatch(
  received: number,
  sent: number,
  medianMarginDb: number | null,
  usedChannels = 64,
): SubBandTest {
  const interval = wilsonInterval(received, sent);
  const share = heardShare(8, usedChannels);
  const mismatch =
    interval.ratio !== null &&
    medianMarginDb !== null &&
    medianMarginDb >= LEAST_MARGIN_DB &&
    interval.low <= share &&
    interval.high >= share &&
    (interval.high < 2 * share || interval.low > 2 * share);
  return { interval, mismatch };
}
