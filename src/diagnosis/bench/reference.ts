/**
 * Does the gateway under test hear like a known good one beside it? Its offset and its loss against the reference, for
 * all channels together and for each, as items of the bench list.
 */
import type { BenchItem } from "../../contract/index.ts";
import type { TrialAnswer } from "../../contract/trials.ts";
import { counted, itemOf } from "./item.ts";
import { itemId, lossItem, offsetItem, points, type ReferenceLimits } from "./reference-measures.ts";

export type { ReferenceLimits } from "./reference-measures.ts";

/** Until the technician says otherwise. Chosen: more than two sound gateways on one table differ by. */
export const REFERENCE_LIMITS: ReferenceLimits = { offsetDb: 3, loss: 0.02 };

/** Frames on a channel before it is judged by itself. Chosen. */
const FEWEST_ON_CHANNEL = 20;

/** `trial`: the gateway under test as a, the reference as b, heard at once. */
export function referenceItems(trial: TrialAnswer, limits: ReferenceLimits): BenchItem[] {
  const basis = basisOf(trial.b.name, limits);
  if (!trial.paired || trial.delivery.pairs === null) {
    return [
      waitingItem(
        basis,
        `${trial.b.name} and this gateway did not listen at the same time for long enough.`,
        "Put both side by side, with antennas alike, and let them hear the same nodes.",
      ),
    ];
  }
  const frames = trial.delivery.a.expected;
  const common = { channel: null, frames, limits, basis };
  const whole = [
    offsetItem({ ...common, difference: trial.snrDifferenceDb }),
    lossItem({ ...common, difference: trial.deliveryDifference }),
  ];
  const channels = trial.channels.flatMap((channel) =>
    channelItems(channel, limits, basis).map((item) => ({
      ...item,
      channel: channel.label,
      // What is so on all channels is advised once.
      advice: whole.some(({ unit, state }) => unit === item.unit && state === item.state)
        ? null
        : item.advice,
    })),
  );
  return [...whole, ...channels].map(againstReference);
}

/** The one item of a reference that nobody has heard yet. */
export function awaitedReference(name: string, limits: ReferenceLimits): BenchItem {
  return waitingItem(
    basisOf(name, limits),
    `The reference, ${name}, has sent nothing yet.`,
    "Point it at this laptop too, or choose another reference.",
  );
}

function channelItems(
  { label, a, snrDifferenceDb, deliveryDifference }: TrialAnswer["channels"][number],
  limits: ReferenceLimits,
  basis: string,
): BenchItem[] {
  if (a.expected < FEWEST_ON_CHANNEL) {
    return [
      itemOf(itemId("", label), `${label} against the reference`, basis, {
        state: "waiting",
        reason: `Only ${counted(a.expected, "frame")} of ${FEWEST_ON_CHANNEL} were heard on it.`,
        awaits: `${FEWEST_ON_CHANNEL} frames on ${label}`,
      }),
    ];
  }
  const common = { channel: label, frames: a.expected, limits, basis };
  const loss = lossItem({ ...common, difference: deliveryDifference });
  // Nodes too strong for their SNR still tell of loss.
  if (snrDifferenceDb.estimate === null) return [loss];
  return [offsetItem({ ...common, difference: snrDifferenceDb }), loss];
}

function basisOf(reference: string, { offsetDb, loss }: ReferenceLimits): string {
  return `Limits set for this bench: ${offsetDb}\u2009dB, ${points(loss)} of loss; measured as a trial against ${reference}.`;
}

function againstReference(item: BenchItem): BenchItem {
  return { ...item, part: "reference" };
}

function waitingItem(basis: string, reason: string, advice: string): BenchItem {
  const found = { state: "waiting" as const, reason, advice, awaits: "frames that both could hear" };
  return againstReference(itemOf("reference", "Against the reference", basis, found));
}
