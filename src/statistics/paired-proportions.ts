/**
 * Two receivers on the same frames: by how much do their delivery ratios differ, and how sure is that?
 */

/** Frames by who heard them; need not be whole. */
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
 * Ratio of A minus ratio of B, with Tango's score interval, Statistics in Medicine 17 (1998) 891-908: the differences
 * that the score test does not reject, the chance of a frame heard by B alone being the most likely one under each. Keeps
 * its coverage where few frames were heard by one alone. `z`: half-width
 * in standard deviations (1.96 for 95 %). Null without frames.
 */
export function pairedScoreInterval(counts: PairedCounts, z: number): DifferenceInterval | null {
  const n = counts.both + counts.onlyA + counts.onlyB + counts.neither;
  if (!(n > 0)) return null;
  const estimate = (counts.onlyA - counts.onlyB) / n;
  return {
    estimate,
    low: edge(estimate, -1, (at) => pairedScore(counts, n, at) > z),
    high: edge(estimate, 1, (at) => pairedScore(counts, n, at) < -z),
  };
}

/** Standard errors by which the counts exceed a true difference of `delta`; Tango's equations 6 to 8. */
function pairedScore({ onlyA, onlyB }: PairedCounts, n: number, delta: number): number {
  const linear = -onlyA - onlyB + (2 * n - onlyA + onlyB) * delta;
  const constant = -onlyB * delta * (1 - delta);
  const root = Math.sqrt(Math.max(0, linear * linear - 8 * n * constant));
  const aloneB = Math.max(0, (root - linear) / (4 * n));
  const variance = n * (2 * aloneB + delta * (1 - delta));
  const above = onlyA - onlyB - n * delta;
  return variance > 0 ? above / Math.sqrt(variance) : Math.sign(above) * Number.POSITIVE_INFINITY;
}

/** Where between a possible difference and the end of the scale one begins to be rejected. By halving. */
function edge(possible: number, end: number, isRejected: (delta: number) => boolean): number {
  let inside = possible;
  let outside = end;
  for (let round = 0; round < 60; round++) {
    const middle = (inside + outside) / 2;
    if (isRejected(middle)) outside = middle;
    else inside = middle;
  }
  return (inside + outside) / 2;
}

/**
 * The same for two independent groups: Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10: the Wilson limits of
 * both ratios, squared and added.
 */
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
