/**
 * How sure is a ratio, a delivery ratio above all?
 */
import { intervalZ } from "./normal.ts";

export interface ProportionInterval {
  /** Successes over trials; null without trials. */
  readonly ratio: number | null;
  /** Limits from 0 to 1; 0 and 1 when nothing is known. */
  readonly low: number;
  readonly high: number;
  /** Why the ratio is null; else null. */
  readonly reason: string | null;
}

/**
 * Wilson's score interval. Newcombe, Statistics in Medicine 17 (1998) 857-872, method 3; NIST/SEMATECH e-Handbook 7.2.4.1.
 * Assumes independent trials: losses come in runs, so pass effective counts (see effective-sample-size.ts), which
 * need not be whole.
 */
export function wilsonInterval(successes: number, trials: number, confidence = 0.95): ProportionInterval {
  if (!(trials > 0) || !(successes >= 0) || successes > trials) {
    return { ratio: null, low: 0, high: 1, reason: "No trials, so any ratio is possible." };
  }
  const z = intervalZ(confidence);
  const p = successes / trials;
  const z2n = (z * z) / trials;
  const centre = p + z2n / 2;
  const half = z * Math.sqrt((p * (1 - p)) / trials + z2n / (4 * trials));
  return {
    ratio: p,
    // Exactly 0 and 1 at the ends, where rounding would leave a hair.
    low: successes === 0 ? 0 : Math.max(0, (centre - half) / (1 + z2n)),
    high: successes === trials ? 1 : Math.min(1, (centre + half) / (1 + z2n)),
    reason: null,
  };
}
