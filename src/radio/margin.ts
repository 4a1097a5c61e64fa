/**
 * How far above the demodulation floor does a link run?
 */

// How weak may a LoRa signal be against the noise before the demodulator loses it?

// SX1276/77/78/79 data sheet, Table 13; SX1272 data sheet Rev 2, Table 13 (SF6 to SF12).
// SF5: common practice, no source (the table extended by one step).
const FLOOR_DB: readonly number[] = [-2.5, -5, -7.5, -10, -12.5, -15, -17.5, -20];

/**
 * SNR floor in dB for SF5 to SF12; null for any other spreading factor and so for FSK.
 *
 * It is an SNR within the channel's bandwidth, hence the same at every bandwidth. A knee, not a cliff: expect frames
 * 2 to 3 dB below it and losses up to 5 dB above it (common practice, no source). Some papers use another
 * table (-6, -9, -12, -15, -17.5, -20 for SF7 to SF12); the data sheets win.
 */
export function demodulationFloorDb(spreadingFactor: number): number | null {
  return FLOOR_DB[spreadingFactor - 5] ?? null;
}

/** SNR minus the floor of the spreading factor, dB; null when either is unknown. */
export function linkMarginDb(snrDb: number | null, spreadingFactor: number): number | null {
  const floorDb = demodulationFloorDb(spreadingFactor);
  return snrDb === null || floorDb === null || !Number.isFinite(snrDb) ? null : snrDb - floorDb;
}

// How likely is a frame read at a margin? A knee, not a step.

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

// How far may a node's carrier lie off the channel?

/** Offset in Hz at which a concentrator has lost 3 dB: a quarter of the bandwidth. SX1302 data sheet Rev 1.0, section 3, FERR. */
export function frequencyOffsetLimitHz(bandwidthHz: number): number {
  return 0.25 * bandwidthHz;
}

/** Offset worth a warning, Hz: a fifth of the bandwidth (common practice, no source). */
export function frequencyOffsetWarningHz(bandwidthHz: number): number {
  return 0.2 * bandwidthHz;
}

/** Offset in parts per million of the carrier: node and gateway error together. */
export function frequencyOffsetPpm(offsetHz: number, frequencyHz: number): number {
  return (offsetHz / frequencyHz) * 1e6;
}
