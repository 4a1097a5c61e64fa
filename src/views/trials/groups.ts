/** How do the parts of a trial compare: each data rate, each channel? */

import type { z } from "zod";
import type {
  Histogram,
  Interval,
  SideCounts,
  TrialAnswer,
  TrialGroup,
  TrialNode,
} from "../../contract/trials.ts";
import { type Estimate, type NodeEffect, pairedPool } from "../../diagnosis/trials/node-effect.ts";
import { countsOf, nodeDelivery } from "../../diagnosis/trials/paired.ts";
import type {
  Differences,
  PairedNode,
  Reading,
  Sent,
  SentOnce,
  SequentialNode,
} from "../../diagnosis/trials/verdict.ts";
import { groupBy } from "../../model/group-by.ts";
import { rounded } from "../../model/rounding.ts";
import { groupShift } from "../../statistics/rank-tests.ts";
import { medianInPlace } from "../../statistics/robust.ts";
import { megahertz } from "../../words/format.ts";

export const NOTHING: Interval = { estimate: null, low: null, high: null };

export function intervalOf(
  estimate: Pick<Estimate, "estimate" | "low" | "high"> | null,
  digits = 2,
): Interval {
  if (estimate === null) return NOTHING;
  const { estimate: middle, low, high } = estimate;
  return { estimate: rounded(middle, digits), low: rounded(low, digits), high: rounded(high, digits) };
}

/** To so many digits after the point, without a negative zero. */

/** Shares of frames are given to a hundredth of a point. */
export const SHARE_DIGITS = 4;

export function sideCounts(readings: readonly (Reading | null)[]): SideCounts {
  const levels = new Float64Array(readings.length);
  let heard = 0;
  let known = 0;
  for (const reading of readings) {
    if (reading === null) continue;
    heard += 1;
    if (reading.snrDb !== null) levels[known++] = reading.snrDb;
  }
  const snr = known === 0 ? null : medianInPlace(levels.subarray(0, known));
  return {
    expected: readings.length,
    heard,
    deliveryRatio: readings.length === 0 ? null : rounded(heard / readings.length, SHARE_DIGITS),
    medianSnrDb: snr === null ? null : rounded(snr, 2),
  };
}

/**
 * Groups of a paired trial. Channels know nothing of what neither side heard. `effectOf`: what the frames of a group say
 * of the level of one node, by its place in the list.
 */
export function pairedGroups(
  nodes: readonly PairedNode[],
  labelOf: (sent: Sent) => string | null,
  effectOf: (sent: readonly Sent[], label: string, node: number) => NodeEffect | null,
  design: Parameters<typeof nodeDelivery>[1],
): TrialGroup[] {
  const labelled = nodes.flatMap(({ sent }, place) =>
    sent.flatMap((one) => {
      const label = labelOf(one);
      return label === null ? [] : [{ label, place, one }];
    }),
  );
  return [...groupBy(labelled, ({ label }) => label)]
    .sort(([x], [y]) => byNumber(x, y))
    .map(([label, group]) => {
      const sent = group.map(({ one }) => one);
      const byPlace = groupBy(group, ({ place }) => place);
      const effects = [...byPlace].flatMap(
        ([place, own]) =>
          effectOf(
            own.map(({ one }) => one),
            label,
            place,
          ) ?? [],
      );
      return {
        label,
        a: sideCounts(sent.map(({ a }) => a)),
        b: sideCounts(sent.map(({ b }) => b)),
        pairs: countsOf(sent),
        snrDifferenceDb: intervalOf(pairedPool(effects)?.all ?? null),
        deliveryDifference: intervalOf(nodeDelivery(sent, design)?.difference ?? null, SHARE_DIGITS),
      };
    });
}

/** Groups of a sequential trial: counts and the shift of what was heard, without an interval. */
export function sequentialGroups(
  nodes: readonly SequentialNode[],
  labelOf: (sent: SentOnce) => string | null,
): TrialGroup[] {
  const a = nodes.flatMap((node) => node.a);
  const b = nodes.flatMap((node) => node.b);
  const labels = new Set([...a, ...b].map(labelOf));
  return [...labels]
    .filter((label) => label !== null)
    .sort(byNumber)
    .map((label) => {
      const of = (sent: readonly SentOnce[]) => sent.filter((one) => labelOf(one) === label);
      const snrs = (sent: readonly SentOnce[]) =>
        sent.flatMap(({ heard }) => (heard?.snrDb == null ? [] : [heard.snrDb]));
      const one = sideCounts(of(a).map(({ heard }) => heard));
      const other = sideCounts(of(b).map(({ heard }) => heard));
      const shift = groupShift(snrs(of(a)), snrs(of(b)));
      const differs =
        one.deliveryRatio === null || other.deliveryRatio === null
          ? null
          : one.deliveryRatio - other.deliveryRatio;
      return {
        label,
        a: one,
        b: other,
        pairs: null,
        snrDifferenceDb: { ...NOTHING, estimate: shift === null ? null : rounded(shift, 2) },
        deliveryDifference: {
          ...NOTHING,
          estimate: differs === null ? null : rounded(differs, SHARE_DIGITS),
        },
      };
    });
}

/** SF9 before SF10, 867.1 before 868.3. */
function byNumber(x: string, y: string): number {
  return x.localeCompare(y, "en", { numeric: true });
}

// How are the levels of a trial spread: in bins, side by side, and as differences of common frames?

const BIN_DB = 1;

/** SNR of all that either side heard, in bins of 1 dB that both share. */
export function histogram(
  a: readonly (Reading | null)[],
  b: readonly (Reading | null)[],
): z.infer<typeof Histogram> {
  const values = (readings: readonly (Reading | null)[]) =>
    readings.flatMap((reading) => (reading?.snrDb == null ? [] : [reading.snrDb]));
  const ofA = values(a);
  const ofB = values(b);
  const fromDb = Math.floor(leastOf([...ofA, ...ofB]));
  return { fromDb, binDb: BIN_DB, ...binned({ a: ofA, b: ofB }, fromDb, BIN_DB) };
}

/** Differences in bins of half a decibel; null without any. */
export function differenceBins(differences: readonly number[]): TrialAnswer["difference"] {
  if (differences.length === 0) return null;
  const fromDb = Math.floor(leastOf(differences));
  const { a } = binned({ a: differences, b: [] }, fromDb, BIN_DB / 2);
  return { fromDb, binDb: BIN_DB / 2, frames: a };
}

/** Bins enough for any SNR that a register can hold. */
const MAX_BINS = 200;

function binned(
  { a, b }: { readonly a: readonly number[]; readonly b: readonly number[] },
  fromDb: number,
  binDb: number,
): { a: number[]; b: number[] } {
  const bin = (value: number) => Math.min(MAX_BINS - 1, Math.floor((value - fromDb) / binDb));
  let most = -1;
  for (const value of [...a, ...b]) most = Math.max(most, bin(value));
  const counted = (values: readonly number[]) => {
    const counts = new Array<number>(most + 1).fill(0);
    for (const value of values) counts[bin(value)] = (counts[bin(value)] ?? 0) + 1;
    return counts;
  };
  return { a: counted(a), b: counted(b) };
}

function leastOf(values: readonly number[]): number {
  let least = Number.POSITIVE_INFINITY;
  for (const value of values) least = Math.min(least, value);
  return values.length === 0 ? 0 : least;
}

// What have both kinds of trial in common, and what do they say where there is nothing to judge?

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
  /** What is shown only of a trial in full. */
  readonly parts: () => Pick<
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
  parts: () => ({
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
  }),
};

/** Nodes shown one by one, those with most frames. */
export const MAX_NODES = 100;

/** For sorting nodes: most frames first, then by address. */
export function mostFrames(x: TrialNode, y: TrialNode): number {
  return y.a.expected + y.b.expected - x.a.expected - x.b.expected || x.devAddr.localeCompare(y.devAddr);
}

/** "868.1 MHz"; null for what nobody heard. */
export function channelLabel({ frequencyHz }: { readonly frequencyHz: number | null }): string | null {
  if (frequencyHz === null) return null;
  let label = channelLabels.get(frequencyHz);
  if (label === undefined) {
    label = megahertz(frequencyHz);
    if (channelLabels.size >= MAX_LABELS) channelLabels.clear();
    channelLabels.set(frequencyHz, label);
  }
  return label;
}

/** Asked for each frame of each trial, of a few channels. */
const channelLabels = new Map<number, string>();
const MAX_LABELS = 500;

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
