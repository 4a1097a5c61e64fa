/**
 * Of two receivers that could hear the same frames, does one hear more?
 */
import { binomialCdf, binomialPmf } from "./binomial.ts";
import { twoSidedP } from "./normal.ts";

export interface McNemarResult {
  /** Chi-squared on 1 degree of freedom; null in the exact form. */
  readonly chi2: number | null;
  /** Two-sided p; null when no frame was heard by one alone. */
  readonly p: number | null;
  /** Mid-p of the exact form, less conservative; null in the chi-squared form. */
  readonly midP: number | null;
  readonly method: "chi-squared" | "exact" | "none";
  readonly reason: string | null;
}

export interface McNemarOptions {
  /** Exact binomial test; by default when fewer than 25 frames were heard by one alone (common practice, no source). */
  readonly exact?: boolean;
  /** Continuity correction of the chi-squared form. Default true. */
  readonly continuity?: boolean;
}

/**
 * McNemar's test for paired proportions (Agresti, Categorical Data Analysis, 1990, p. 350).
 * @param onlyA frames that A alone heard; @param onlyB frames that B alone heard. Frames that both or neither heard
 * say nothing about the difference.
 */
export function mcnemar(onlyA: number, onlyB: number, options: McNemarOptions = {}): McNemarResult {
  const discordant = onlyA + onlyB;
  if (!(discordant > 0)) {
    return {
      chi2: null,
      p: null,
      midP: null,
      method: "none",
      reason: "No frame was heard by one receiver alone, so there is nothing to compare.",
    };
  }
  if (options.exact ?? discordant < 25) {
    const fewer = Math.min(onlyA, onlyB);
    const tail = binomialCdf(fewer, discordant, 0.5);
    const p = Math.min(1, 2 * tail);
    // With equal counts the whole distribution is at least as extreme; the observed count then counts half, once.
    const own = binomialPmf(fewer, discordant, 0.5);
    const midP = onlyA === onlyB ? 1 - own / 2 : 2 * tail - own;
    return { chi2: null, p, midP, method: "exact", reason: null };
  }
  const correction = (options.continuity ?? true) ? 1 : 0;
  const distance = Math.max(0, Math.abs(onlyA - onlyB) - correction);
  const chi2 = distance ** 2 / discordant;
  return { chi2, p: twoSidedP(Math.sqrt(chi2)), midP: null, method: "chi-squared", reason: null };
}
