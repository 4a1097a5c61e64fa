/** How is it said that receptions were removed by the rule of what is kept? One wording for screen, commands and errors. */
import { fileSize, plural } from "./format.ts";

/** What is kept. Both null: everything. */
export interface KeptRule {
  /** Days before the newest datagram. */
  readonly maxAgeDays: number | null;
  /** Octets of the store's file. */
  readonly maxBytes: number | null;
}

/** Returns the rule in words: "90 days", "2 GB", "90 days and 2 GB"; "everything" without one. */
export function keptRuleText({ maxAgeDays, maxBytes }: KeptRule): string {
  const parts = [
    ...(maxAgeDays === null ? [] : [plural(maxAgeDays, "day")]),
    ...(maxBytes === null ? [] : [fileSize(maxBytes)]),
  ];
  return parts.length === 0 ? "everything" : parts.join(" and ");
}

/** An answer begins behind the time whose receptions were removed, rests on its hours, or tells those of its figures that are sums. */
export type RemovedBasis = "cut" | "hours" | "sums";

const BASES: Readonly<Record<RemovedBasis, string>> = {
  cut: "This answer begins there.",
  hours: "Before that, this answer rests on whole hours.",
  sums: "Before that, sums rest on whole hours, and what rests on single receptions is left out.",
};

/** Returns how an answer goes about the time whose receptions were removed. */
export function removedBasis(basis: RemovedBasis): string {
  return BASES[basis];
}

/** Returns the sentence; `before`: the moment as the reader is shown times, `rule`: as it was when they were removed. */
export function removedSentence(before: string, rule: string): string {
  return `Receptions before ${before} were removed by the rule of ${rule}; sums of whole hours, gaps and findings remain.`;
}
