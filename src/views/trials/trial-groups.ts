/** How do the parts of a trial compare: each data rate, each channel? */
import type { Interval, SideCounts, TrialGroup } from "../../contract/trials.ts";
import type { PairedNode, Reading, SentOnce, SequentialNode } from "../../diagnosis/trials/evidence.ts";
import { type Estimate, pairedPool } from "../../diagnosis/trials/node-effect.ts";
import { countsOf, nodeDelivery } from "../../diagnosis/trials/paired-delivery.ts";
import { pairedSnr } from "../../diagnosis/trials/paired-snr.ts";
import { groupShift } from "../../statistics/rank-sum.ts";
import { median } from "../../statistics/robust.ts";

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
export function rounded(value: number, digits: number): number {
  const factor = 10 ** digits;
  return Math.round(value * factor) / factor + 0;
}

/** Shares of frames are told to a hundredth of a point. */
export const SHARE_DIGITS = 4;

export function sideCounts(readings: readonly (Reading | null)[]): SideCounts {
  const heard = readings.filter((reading) => reading !== null);
  const snr = median(heard.flatMap(({ snrDb }) => (snrDb === null ? [] : [snrDb])));
  return {
    expected: readings.length,
    heard: heard.length,
    deliveryRatio: readings.length === 0 ? null : rounded(heard.length / readings.length, SHARE_DIGITS),
    medianSnrDb: snr === null ? null : rounded(snr, 2),
  };
}

/** Groups of a paired trial. Channels know nothing of what neither side heard. */
export function pairedGroups(
  nodes: readonly PairedNode[],
  labelOf: (sent: PairedNode["sent"][number]) => string | null,
  otherLoss: number,
  design: Parameters<typeof nodeDelivery>[1],
): TrialGroup[] {
  const labels = new Set(nodes.flatMap(({ sent }) => sent.map(labelOf)));
  return [...labels]
    .filter((label) => label !== null)
    .sort(byNumber)
    .map((label) => {
      const own = nodes.map((node) => ({ ...node, sent: node.sent.filter((one) => labelOf(one) === label) }));
      const sent = own.flatMap((node) => node.sent);
      const effects = own.flatMap((node) => {
        const { effect } = pairedSnr(node, otherLoss);
        return effect === null ? [] : [effect];
      });
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
