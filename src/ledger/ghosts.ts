/**
 * Is a reception a ghost? A strong node close by is decoded a second time on another channel, at the same
 * moment and far weaker. Published example: 868.3 MHz at -35 dBm and 867.3 MHz at -100 dBm, 2 µs apart, the
 * same payload (public issue 48 of the SX1302 reference daemon). Counted as packets, ghosts would falsify
 * channel use and signal trends.
 */

export interface GhostEvidence {
  readonly frequencyHz: number | null;
  readonly tmstKey: number;
  readonly rssiTenths: number | null;
}

/** A ghost stands within this time of its original on the counter of the same gateway. */
export const GHOST_SPAN_US = 5_000;

/** "Far weaker". Common practice, no source; the published pair differs by 65 dB. */
const FAR_WEAKER_TENTHS = 200;

/** Which of two receptions of one payload at one gateway is the other's ghost; null when neither is. */
export function ghostOf(a: GhostEvidence, b: GhostEvidence): "a" | "b" | null {
  if (a.frequencyHz === b.frequencyHz || a.frequencyHz === null || b.frequencyHz === null) return null;
  if (a.tmstKey < 0 || b.tmstKey < 0 || Math.abs(a.tmstKey - b.tmstKey) > GHOST_SPAN_US) return null;
  if (a.rssiTenths === null || b.rssiTenths === null) return null;
  const difference = a.rssiTenths - b.rssiTenths;
  if (difference <= -FAR_WEAKER_TENTHS) return "a";
  return difference >= FAR_WEAKER_TENTHS ? "b" : null;
}
