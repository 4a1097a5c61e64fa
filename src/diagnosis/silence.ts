/**
 * How long must a silence last before chance no longer explains it?
 */

/** Chance below which a silence counts. Common practice, no source. */
export const SILENCE_ALPHA = 0.001;

/**
 * Misses in a row that chance would produce with probability below alpha, for a node that loses a share `lossRate` of
 * its frames anyway: ceil(ln alpha / ln p). 1 for a node that never loses; null when it loses everything.
 */
export function missesNeeded(lossRate: number, alpha = SILENCE_ALPHA): number | null {
  if (!(lossRate >= 0) || lossRate >= 1) {
    return null;
  }
  // The quotient of logarithms may exceed a whole number by a hair of rounding.
  return lossRate === 0 ? 1 : Math.max(1, Math.ceil(Math.log(alpha) / Math.log(lossRate) - 1e-12));
}

/** Frames that all nodes together should have sent before their common silence counts: -ln alpha (Poisson). */
export function pooledFramesNeeded(alpha = SILENCE_ALPHA): number {
  return -Math.log(alpha);
}

/** Whether hearing none counts, when `expectedFrames` were expected. */
export function silenceIsSignificant(expectedFrames: number, alpha = SILENCE_ALPHA): boolean {
  return expectedFrames >= pooledFramesNeeded(alpha);
}
