/**
 * Does the gateway under test hear like a known good one beside it? Its offset and its loss against the reference, for
 * all channels together and for each, as items of the bench list.
 */
import type { BenchItem } from "../../contract/index.ts";
import type { Interval, TrialAnswer } from "../../contract/trials.ts";
import { decibel, figure, plural } from "../../words/format.ts";
import { roughly } from "../trials/sentences.ts";
import { itemOf } from "./limits.ts";

// Is a gateway's level, or its loss, within what the technician allows against the reference? As items of the bench list.

/** What the technician allows. */
export interface ReferenceLimits {
  /** The level may differ by so much either way, dB. */
  readonly offsetDb: number;
  /** It may lose so many more frames than the reference, as a share. */
  readonly loss: number;
}

/** A difference of the gateway under test from the reference, on one channel or (`channel` null) on all. */
export interface Measured {
  readonly channel: string | null;
  /** Gateway minus reference: dB, or shares of frames delivered. */
  readonly difference: Interval;
  /** Frames that it rests on. */
  readonly frames: number;
  readonly limits: ReferenceLimits;
  readonly basis: string;
}

/** "2 points", "0.5 points". */
function points(share: number): string {
  const value = Math.round(share * 10_000) / 100;
  return `${value} ${value === 1 ? "point" : "points"}`;
}

/** `reference-loss`, `reference-loss-868.1`. */
function itemId(measure: string, channel: string | null): string {
  return channel === null ? `reference${measure}` : `reference${measure}-${channel.replace(/[^\d.]/g, "")}`;
}

/** The whole interval within the limit either way passes, the whole beyond it fails. */
function offsetItem({ channel, difference, frames, limits, basis }: Measured): BenchItem {
  const { estimate, low, high } = difference;
  const { offsetDb } = limits;
  const id = itemId("-offset", channel);
  const title = channel === null ? "Level against the reference" : `Level on ${channel}`;
  if (estimate === null || low === null || high === null) {
    return itemOf(id, title, basis, {
      state: "waiting",
      reason: "No node is both weak enough for its SNR to tell and heard often enough by both.",
      advice:
        "Let nodes further away be heard: above +7\u202FdB the SNR that gateways report says too little.",
      awaits: "frames between the floor and +7\u202FdB SNR that both heard",
    });
  }
  const said = `It differs by ${decibel(estimate)} (${figure(low, 1)} to ${figure(high, 1)})`;
  const found = { figure: decibel(estimate), value: estimate, unit: "dB" };
  const limit = `${offsetDb}\u202FdB`;
  if (low > -offsetDb && high < offsetDb)
    return itemOf(id, title, basis, { ...found, state: "pass", reason: `${said}.` });
  if (low >= offsetDb || high <= -offsetDb)
    return itemOf(id, title, basis, {
      ...found,
      state: "fail",
      reason: `${said}, beyond the limit of ${limit}.`,
      advice:
        estimate < 0
          ? "Look at the antenna, its connector and the cable; swap them with the reference's."
          : "Look at the reference's antenna and cable as well: it may be the one that hears badly.",
    });
  const room = offsetDb - Math.abs(estimate);
  return unsettled(itemOf(id, title, basis, { ...found, state: "warn", reason: `${said}` }), {
    limit,
    frames,
    room,
    half: (high - low) / 2,
    channel,
  });
}

/** Only losing more than the reference is held against a gateway; losing less passes. */
function lossItem({ channel, difference, frames, limits, basis }: Measured): BenchItem {
  const { estimate, low, high } = difference;
  const { loss } = limits;
  const id = itemId("-loss", channel);
  const title = channel === null ? "Loss against the reference" : `Loss on ${channel}`;
  if (estimate === null || low === null || high === null) {
    return itemOf(id, title, basis, {
      state: "waiting",
      reason: "No frame was heard by either.",
      awaits: "frames that both could hear",
    });
  }
  // Given as what is lost more than by the reference, or fewer.
  const more = -estimate * 100 + 0;
  const turn = more >= 0 ? -100 : 100;
  const ends = [low * turn + 0, high * turn + 0].sort((x, y) => x - y);
  const said = `It loses ${figure(Math.abs(more), 1)} points ${more >= 0 ? "more" : "fewer"} frames than the reference (${figure(ends[0] ?? 0, 1)} to ${figure(ends[1] ?? 0, 1)})`;
  const found = { figure: `${figure(more, 1)}\u202Fpoints`, value: more, unit: "points" };
  if (-low <= loss) return itemOf(id, title, basis, { ...found, state: "pass", reason: `${said}.` });
  if (-high > loss)
    return itemOf(id, title, basis, {
      ...found,
      state: "fail",
      reason: `${said}, beyond the limit of ${points(loss)}.`,
      advice:
        channel === null
          ? "Look at the antenna, its connector and the cable; swap them with the reference's."
          : "Look at this channel's radio chain: other channels do better.",
    });
  return unsettled(itemOf(id, title, basis, { ...found, state: "warn", reason: said }), {
    limit: points(loss),
    frames,
    room: loss + estimate,
    half: estimate - low,
    channel,
  });
}

/** Frames that nobody waits for on a bench. Chosen. */
const MAX_AWAITED = 20_000;

interface Open {
  readonly limit: string;
  readonly frames: number;
  /** From the estimate to the limit; negative beyond it. */
  readonly room: number;
  /** Half of the interval, on the limit's side. */
  readonly half: number;
  readonly channel: string | null;
}

/**
 * The limit lies within the interval. Beyond it the figure deserves a look; within it too little came to tell, and the
 * item waits for as many frames as would narrow the interval to the room that is left: its width falls with their root.
 */
function unsettled(item: BenchItem, { limit, frames, room, half, channel }: Open): BenchItem {
  const open = `${item.reason}; whether that is within ${limit} is not settled`;
  if (room <= 0) return { ...item, reason: `${open}.`, advice: "Let both listen longer." };
  const more = Math.max(1, Math.ceil(frames * ((half / room) ** 2 - 1)));
  if (more > MAX_AWAITED)
    return {
      ...item,
      reason: `${open}: it lies too near the limit for that.`,
      advice: "Take it for what it is, or set the limit where it matters.",
    };
  const where = channel === null ? "" : " on this channel";
  const needed = `about ${figure(roughly(more))} more frames${where}`;
  return {
    ...item,
    state: "waiting",
    reason: `${open}: ${needed} would tell.`,
    advice: null,
    awaits: needed,
  };
}

/** Until the technician says otherwise. Chosen: more than two sound gateways on one table differ by. */
export const REFERENCE_LIMITS: ReferenceLimits = { offsetDb: 3, loss: 0.02 };

/** Frames on a channel before it is judged by itself. Chosen. */
const MIN_ON_CHANNEL = 20;

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
  if (a.expected < MIN_ON_CHANNEL) {
    return [
      itemOf(itemId("", label), `${label} against the reference`, basis, {
        state: "waiting",
        reason: `Only ${plural(a.expected, "frame")} of ${MIN_ON_CHANNEL} were heard on it.`,
        awaits: `${MIN_ON_CHANNEL} frames on ${label}`,
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
  return `Limits set for this bench: ${offsetDb}\u202FdB, ${points(loss)} of loss; measured as a trial against ${reference}.`;
}

function againstReference(item: BenchItem): BenchItem {
  return { ...item, part: "reference" };
}

function waitingItem(basis: string, reason: string, advice: string): BenchItem {
  const found = { state: "waiting" as const, reason, advice, awaits: "frames that both could hear" };
  return againstReference(itemOf("reference", "Against the reference", basis, found));
}
