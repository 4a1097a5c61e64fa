/** What have both kinds of trial in common, and what do they say where there is nothing to judge? */
import type { TrialAnswer, TrialNode } from "../../contract/trials.ts";
import type { Differences } from "../../diagnosis/trials/verdict.ts";
import { histogram } from "./distributions.ts";
import { sideCounts } from "./trial-groups.ts";

/** What both kinds of trial have in common, before it is put into words. */
export interface Judged {
  readonly paired: boolean;
  readonly differences: Differences;
  /** Counters that take part; with none there is nothing to ask for more of. */
  readonly frames: number;
  /** First and last counter that takes part; both 0 without any. */
  readonly firstUs: number;
  readonly lastUs: number;
  readonly reservations: readonly string[];
  readonly parts: Pick<
    TrialAnswer,
    "commonFrames" | "delivery" | "control" | "nodes" | "spreadingFactors" | "channels" | "snr" | "difference"
  >;
}

/** One side heard nothing while it stood as said. */
export const NOTHING_JUDGED: Judged = {
  paired: false,
  differences: { snr: null, delivery: null },
  frames: 0,
  firstUs: 0,
  lastUs: 0,
  reservations: [],
  parts: {
    commonFrames: null,
    delivery: {
      a: sideCounts([]),
      b: sideCounts([]),
      pairs: null,
      mcnemarP: null,
      mcnemarMethod: null,
      designEffect: 1,
    },
    control: null,
    nodes: [],
    spreadingFactors: [],
    channels: [],
    snr: histogram([], []),
    difference: null,
  },
};

/** Nodes told one by one, those with most frames. */
export const MOST_NODES = 100;

/** For sorting nodes: most frames first, then by address. */
export function mostFrames(x: TrialNode, y: TrialNode): number {
  return y.a.expected + y.b.expected - x.a.expected - x.b.expected || x.devAddr.localeCompare(y.devAddr);
}

/** "868.1 MHz"; null for what nobody heard. */
export function channelLabel({ frequencyHz }: { readonly frequencyHz: number | null }): string | null {
  return frequencyHz === null ? null : `${(frequencyHz / 1e6).toFixed(3).replace(/0{1,2}$/, "")}\u2009MHz`;
}

/** When the first and the last of them were sent. */
export function spanOf(sent: readonly { readonly atUs: number }[]): { firstUs: number; lastUs: number } {
  let firstUs = Number.POSITIVE_INFINITY;
  let lastUs = Number.NEGATIVE_INFINITY;
  for (const { atUs } of sent) {
    firstUs = Math.min(firstUs, atUs);
    lastUs = Math.max(lastUs, atUs);
  }
  return sent.length === 0 ? { firstUs: 0, lastUs: 0 } : { firstUs, lastUs };
}
