/**
 * Does the gateway under test hear like a known good one beside it? Its offset and its loss against the reference, for
 * all channels together and for each, as items of the bench list.
 */
import type { BenchItem } from "../../contract/index.ts";
import type { Interval, TrialAnswer } from "../../contract/trials.ts";
import { signed } from "../trials/words.ts";
import { counted, itemOf } from "./item.ts";

/** What the technician allows. */
export interface ReferenceLimits {
  /** The level may differ by so much either way, dB. */
  readonly offsetDb: number;
  /** It may lose so many more frames than the reference, as a share. */
  readonly loss: number;
}

/** Until the technician says otherwise. Chosen: more than two sound gateways on one table differ by. */
export const REFERENCE_LIMITS: ReferenceLimits = { offsetDb: 3, loss: 0.02 };

/** Frames on a channel before it is judged by itself. Chosen. */
const FEWEST_ON_CHANNEL = 20;

/** `trial`: the gateway under test as a, the reference as b, heard at once. */
export function referenceItems(trial: TrialAnswer, limits: ReferenceLimits): BenchItem[] {
  const basis = `limits set for this bench: ${limits.offsetDb}\u2009dB, ${signed(limits.loss * 100)} points of loss; measured as a trial against ${trial.b.name}`;
  if (!trial.paired || trial.delivery.pairs === null) {
    return [
      itemOf("reference", "Against the reference", basis, {
        state: "waiting",
        reason: `${trial.b.name} and this gateway were not heard at the same time.`,
        advice: "Put both side by side, with antennas alike, and let them hear the same nodes.",
        awaits: "frames that both could hear",
      }),
    ];
  }
  const whole = [
    offsetItem("reference-offset", "Level against the reference", trial.snrDifferenceDb, limits, basis),
    lossItem("reference-loss", "Loss against the reference", trial.deliveryDifference, limits, basis),
  ];
  const channels = trial.channels.flatMap(({ label, a, snrDifferenceDb, deliveryDifference }) => {
    const id = label.replace(/[^\d.]/g, "");
    if (a.expected < FEWEST_ON_CHANNEL) {
      return [
        itemOf(`reference-${id}`, `${label} against the reference`, basis, {
          state: "waiting",
          reason: `Only ${counted(a.expected, "frame")} of ${FEWEST_ON_CHANNEL} were heard on it.`,
          awaits: `${FEWEST_ON_CHANNEL} frames on ${label}`,
        }),
      ];
    }
    const loss = lossItem(`reference-loss-${id}`, `Loss on ${label}`, deliveryDifference, limits, basis);
    // Nodes too strong for their SNR still tell of loss.
    if (snrDifferenceDb.estimate === null) return [loss];
    return [offsetItem(`reference-offset-${id}`, `Level on ${label}`, snrDifferenceDb, limits, basis), loss];
  });
  return [...whole, ...channels];
}

/** Within the limit with its whole interval passes; beyond it with the whole interval fails; else it is not settled. */
function offsetItem(
  id: string,
  title: string,
  { estimate, low, high }: Interval,
  { offsetDb }: ReferenceLimits,
  basis: string,
): BenchItem {
  if (estimate === null || low === null || high === null) {
    return itemOf(id, title, basis, {
      state: "waiting",
      reason: "No node is both weak enough for its SNR to tell and heard often enough by both.",
      advice:
        "Let nodes further away be heard: above +7\u2009dB the SNR that gateways report says too little.",
      awaits: "frames between the floor and +7\u2009dB SNR that both heard",
    });
  }
  const words = `${signed(estimate)}\u2009dB (${signed(low)} to ${signed(high)})`;
  const found = { figure: `${signed(estimate)}\u2009dB`, value: estimate, unit: "dB" };
  if (low > -offsetDb && high < offsetDb)
    return itemOf(id, title, basis, { ...found, state: "pass", reason: `It differs by ${words}.` });
  if (low >= offsetDb || high <= -offsetDb)
    return itemOf(id, title, basis, {
      ...found,
      state: "fail",
      reason: `It differs by ${words}, beyond the limit of ${offsetDb}\u2009dB.`,
      advice:
        estimate < 0
          ? "Look at the antenna, its connector and the cable; swap them with the reference's."
          : "Look at the reference's antenna and cable as well: it may be the one that hears badly.",
    });
  return itemOf(id, title, basis, {
    ...found,
    state: "warn",
    reason: `It differs by ${words}; that does not settle whether it is within ${offsetDb}\u2009dB.`,
    advice: "Let both listen longer.",
  });
}

function lossItem(
  id: string,
  title: string,
  { estimate, low, high }: Interval,
  { loss }: ReferenceLimits,
  basis: string,
): BenchItem {
  if (estimate === null || low === null || high === null) {
    return itemOf(id, title, basis, {
      state: "waiting",
      reason: "No frame was heard by either.",
      awaits: "frames that both could hear",
    });
  }
  // Told as what is lost more than by the reference.
  const more = -estimate * 100 + 0;
  const words = `${signed(more)} points (${signed(-high * 100 + 0)} to ${signed(-low * 100 + 0)})`;
  const found = { figure: `${signed(more)}\u2009points`, value: more, unit: "points" };
  if (-low <= loss)
    return itemOf(id, title, basis, {
      ...found,
      state: "pass",
      reason: `It loses ${words} more than the reference.`,
    });
  if (-high > loss)
    return itemOf(id, title, basis, {
      ...found,
      state: "fail",
      reason: `It loses ${words} more than the reference, beyond the limit of ${signed(loss * 100)} points.`,
      advice: "Look at this channel's radio chain and at the antenna; swap antennas with the reference.",
    });
  return itemOf(id, title, basis, {
    ...found,
    state: "warn",
    reason: `It loses ${words} more than the reference; that does not settle whether it is within ${signed(loss * 100)} points.`,
    advice: "Let both listen longer.",
  });
}
