/**
 * Two receivers on the same frames: by how much do their delivery ratios differ, and how sure is that?
 */

/** Frames by who heard them; need not be whole (counts divided by a design effect). */
export interface PairedCounts {
  readonly both: number;
  readonly onlyA: number;
  readonly onlyB: number;
  readonly neither: number;
}

export interface DifferenceInterval {
  readonly estimate: number;
  readonly low: number;
  readonly high: number;
}

/**
 * Ratio of A minus ratio of B, with the interval of Newcombe, Statistics in Medicine 17 (1998) 2635-2650, method 10: the
 * Wilson limits of both ratios, squared and added, allowing for their correlation. `z`: half-width in standard
 * deviations (1.96 for 95 %). Null without frames.
 */
export function pairedDifference(
  { both, onlyA, onlyB, neither }: PairedCounts,
  z: number,
): DifferenceInterval | null {
  const n = both + onlyA + onlyB + neither;
  if (!(n > 0)) return null;
  const a = wilson(both + onlyA, n, z);
  const b = wilson(both + onlyB, n, z);
  const phi = correlation(both, onlyA, onlyB, neither, n);
  const reach = (own: number, other: number) =>
    Math.sqrt(Math.max(0, own * own - 2 * phi * own * other + other * other));
  const estimate = (onlyA - onlyB) / n;
  return {
    estimate,
    low: Math.max(-1, estimate - reach(a.below, b.above)),
    high: Math.min(1, estimate + reach(a.above, b.below)),
  };
}

/** The same for two independent groups: Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10. */
export function unpairedDifference(
  a: { readonly heard: number; readonly expected: number },
  b: { readonly heard: number; readonly expected: number },
  z: number,
): DifferenceInterval | null {
  if (!(a.expected > 0) || !(b.expected > 0)) return null;
  const one = wilson(a.heard, a.expected, z);
  const other = wilson(b.heard, b.expected, z);
  const estimate = a.heard / a.expected - b.heard / b.expected;
  return {
    estimate,
    low: Math.max(-1, estimate - Math.hypot(one.below, other.above)),
    high: Math.min(1, estimate + Math.hypot(one.above, other.below)),
  };
}

/** Distances to the limits of Wilson's score interval (wilson.ts), at any half-width and for counts that are not whole. */
function wilson(heard: number, n: number, z: number): { below: number; above: number } {
  const p = Math.min(1, heard / n);
  const z2n = (z * z) / n;
  const centre = p + z2n / 2;
  const half = z * Math.sqrt(Math.max(0, (p * (1 - p)) / n + z2n / (4 * n)));
  return { below: p - (centre - half) / (1 + z2n), above: (centre + half) / (1 + z2n) - p };
}

function correlation(both: number, onlyA: number, onlyB: number, neither: number, n: number): number {
  const margins = (both + onlyA) * (onlyB + neither) * (both + onlyB) * (onlyA + neither);
  if (!(margins > 0)) return 0;
  const cross = both * neither - onlyA * onlyB;
  // Method 10 takes half a frame off a positive correlation.
  return (cross > 0 ? Math.max(cross - n / 2, 0) : cross) / Math.sqrt(margins);
}
