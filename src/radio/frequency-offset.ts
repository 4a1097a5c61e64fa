/**
 * How far may a node's carrier lie off the channel?
 */

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
