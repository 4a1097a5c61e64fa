/**
 * How likely is a frame read at a margin? A knee, not a step.
 */

/** A logistic knee: half of the frames are read at `offsetDb` over the data sheet's floor. */
export interface Knee {
  readonly offsetDb: number;
  /** From 12 to 88 % read lie four widths. */
  readonly widthDb: number;
}

/**
 * Common practice, no source: frames come through down to 2 or 3 dB below the data sheet's floor, and some are lost up
 * to 5 dB above it. This knee reads 2 % at 3 dB below and loses 2 % at 3 dB above.
 */
export const USUAL_KNEE: Knee = { offsetDb: 0, widthDb: 0.75 };

/** How far the true knee may lie from the usual one: sharper, softer, and the floor off by 1 dB (chosen). */
export const POSSIBLE_KNEES: readonly Knee[] = [
  USUAL_KNEE,
  { offsetDb: 0, widthDb: 0.45 },
  { offsetDb: 0, widthDb: 1.25 },
  { offsetDb: -1, widthDb: 0.75 },
  { offsetDb: 1, widthDb: 0.75 },
];

/** Chance that a frame is read. `marginDb`: SNR minus demodulation floor. */
export function readProbability(marginDb: number, { offsetDb, widthDb }: Knee = USUAL_KNEE): number {
  return 1 / (1 + Math.exp(-(marginDb - offsetDb) / widthDb));
}
