/** What is one piece of evidence, and which causes may a finding name? */

import type { Lane, RestsOn } from "../../model/finding.ts";
import type { NamedCause } from "../../words/causes.ts";

export type { Lane, RestsOn } from "../../model/finding.ts";
export { CAUSES, type CauseWord, type NamedCause } from "../../words/causes.ts";

/** One observation, and by how much it makes each cause likelier (above 0) or less likely: natural logarithms. */
export interface EvidencePiece {
  readonly sentence: string;
  readonly lane: Lane;
  readonly restsOn: RestsOn | null;
  readonly weights: Partial<Record<NamedCause, number>>;
  /** It shows one of these and cannot tell which: whatever else speaks for one of them speaks for all. */
  readonly leavesOpen?: readonly NamedCause[];
  /** It proves the cause that it weighs for. */
  readonly proves?: NamedCause;
}

/** No single observation outweighs more than this: models of the air are models. Chosen. */
const MOST_WEIGHT = 6;

export function clampWeight(weight: number, most = MOST_WEIGHT): number {
  if (Number.isNaN(weight)) return 0;
  return Math.max(-most, Math.min(most, weight));
}

/** Logarithm of the ratio of two normal densities at x: how much likelier x is under the first. */
export function normalRatio(
  x: number,
  one: { readonly mean: number; readonly sd: number },
  other: { readonly mean: number; readonly sd: number },
): number {
  const log = ({ mean, sd }: { readonly mean: number; readonly sd: number }) =>
    -(((x - mean) / sd) ** 2) / 2 - Math.log(sd);
  return log(one) - log(other);
}

/** The same weight for several causes. */
export function weigh(weight: number, ...causes: readonly NamedCause[]): Partial<Record<NamedCause, number>> {
  const clamped = clampWeight(weight);
  return Object.fromEntries(causes.map((cause) => [cause, clamped]));
}
