/** On which channels does the gateway hear, which of its plan never, and which plan is it? */
import { binomialCdf } from "../../statistics/proportions.ts";
import { median } from "../../statistics/robust.ts";
import { decibel, figure, listed, megahertzFigure, plural } from "../../words/format.ts";
import { type Found, LIMITS, secondsFor } from "./limits.ts";

export interface ChannelsEvidence {
  /** Packets with a right CRC by channel, lowest first. */
  readonly heard: readonly { readonly frequencyHz: number; readonly count: number }[];
  /** Channels that the plan says must be there; empty while no plan is known, or not which of its channels. */
  readonly expectedHz: readonly number[];
  /** Channels on which other gateways of the site hear frames, those of the plan among them, with their counts. */
  readonly elsewhere: readonly { readonly frequencyHz: number; readonly count: number }[];
  /** "EU863-870", "US902-928, sub-band 2"; null while none is known. */
  readonly plan: string | null;
  /** Noise above that of a good receiver by channel, dB, where it is known. */
  readonly noise: readonly { readonly frequencyHz: number; readonly aboveDb: number }[];
  /** Time in which the packets came. */
  readonly seconds: number;
}

/** Two frequencies are one channel within this: forwarders round. */
const SAME_HZ = 1_500;
const SETTINGS_ADVICE =
  "Compare the forwarder's channel settings with the plan; if they are right, see whether the test node uses these channels.";

/** Which channels of the plan, and further ones in use, are heard, hardly, or never. */
export function judgeChannels(evidence: ChannelsEvidence): Found {
  const { heard, expectedHz, plan, seconds } = evidence;
  const limits = LIMITS.channels;
  const total = heard.reduce((sum, { count }) => sum + count, 0);
  if (total === 0) {
    return {
      state: "waiting",
      figure: "none yet",
      reason: "No packet with a right CRC was heard yet: see Radio.",
      awaits: "packets on the air",
    };
  }
  const missing = expectedHz.filter((hz) => countAt(heard, hz) === 0);
  const extra = heard.filter(({ frequencyHz }) => !expectedHz.some((hz) => isSame(hz, frequencyHz)));
  const more = expectedHz.length > 0 && extra.length > 0 ? ` and ${extra.length} more` : "";
  const channels =
    expectedHz.length === 0
      ? plural(heard.length, "channel")
      : `${expectedHz.length - missing.length} of ${expectedHz.length}${more}`;
  const found = { figure: channels, value: heard.length, unit: "channels" };
  const where = `Heard on ${listed(heard.map(({ frequencyHz, count }) => `${megahertzFigure(frequencyHz)} (${figure(count)})`))}\u202FMHz.`;
  const known = Math.max(expectedHz.length, 1);
  const chance = (1 - 1 / Math.max(known, heard.length)) ** total;
  if (heard.length === 1 && (expectedHz.length > 1 || plan === null)) {
    // Also without a plan: 60 packets on one channel alone are no accident.
    if (total >= 60) {
      return {
        ...found,
        state: "fail",
        reason: `All ${plural(total, "packet")} came on ${megahertzFigure(heard[0]?.frequencyHz ?? 0)}\u202FMHz: it listens to one channel only, or the test node sends on one only.`,
        advice:
          "A gateway for LoRaWAN needs all channels of its plan; let the test node use them all and look again.",
      };
    }
  }
  if (plan === null) {
    return {
      ...found,
      state: "waiting",
      reason: `${where} Which channels must be there is not known before the plan is.`,
      awaits: "packets that settle the plan",
    };
  }
  if (expectedHz.length === 0) return { ...found, ...ofEight(heard.length, total, where, plan) };
  if (missing.length > 0 && chance >= limits.chance) {
    const needed = Math.ceil(Math.log(limits.chance) / Math.log(1 - 1 / Math.max(known, heard.length, 2)));
    const lacking = Math.max(1, needed - total);
    return {
      ...found,
      state: "waiting",
      reason: `Never on ${listed(missing.map(megahertzFigure))}\u202FMHz, which ${plan} asks for. So far that may be chance: ${plural(total, "packet")}.`,
      awaits: `about ${plural(lacking, "more packet", "more packets")}`,
      awaitsSeconds: secondsFor(lacking, total, seconds),
    };
  }
  if (missing.length > 0) {
    const suspect = suspectOf(missing, evidence);
    return {
      ...found,
      state: missing.length >= limits.failShare * expectedHz.length ? "fail" : "warn",
      reason: `Never on ${listed(missing.map(megahertzFigure))}\u202FMHz, which ${plan} asks for. In ${plural(total, "packet")} that is not chance.${suspect.reason} ${where}`,
      advice: suspect.advice,
    };
  }
  const hardly = hardlyHeard(evidence, extra);
  if (hardly.length > 0) {
    const suspect = suspectOf(
      hardly.map(({ frequencyHz }) => frequencyHz),
      evidence,
    );
    const which = hardly.map(
      ({ frequencyHz, count }) => `${megahertzFigure(frequencyHz)} (${count === 0 ? "none" : count})`,
    );
    return {
      ...found,
      state: "warn",
      reason: `Far fewer packets than on the other channels came on ${listed(which)}\u202FMHz.${suspect.reason} ${where}`,
      advice: suspect.advice,
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `All ${expectedHz.length} channels that ${plan} asks for${more === "" ? "" : `, and ${plural(extra.length, "further one")}`}. ${where}`,
  };
}

/**
 * Channels that bring far fewer packets than even use explains: those of the plan among each other; further ones against
 * what other gateways hear there.
 */
function hardlyHeard(
  { heard, expectedHz, elsewhere }: ChannelsEvidence,
  extra: ChannelsEvidence["heard"],
): { frequencyHz: number; count: number }[] {
  const onPlan = expectedHz.map((hz) => ({ frequencyHz: hz, count: countAt(heard, hz) }));
  const planTotal = onPlan.reduce((sum, { count }) => sum + count, 0);
  const chance = LIMITS.channels.chance;
  const few = onPlan.filter(
    ({ count }) =>
      onPlan.length > 1 && binomialCdf(count, planTotal, 1 / onPlan.length) < chance / onPlan.length,
  );
  // Channels of the plan are judged among each other, above.
  const further = elsewhere.filter(
    ({ frequencyHz, count }) =>
      count >= LIMITS.channels.leastElsewhere && !expectedHz.some((hz) => isSame(hz, frequencyHz)),
  );
  const here = heard.reduce((sum, { count }) => sum + count, 0);
  const there = elsewhere.reduce((sum, { count }) => sum + count, 0);
  const fewFurther = further.flatMap(({ frequencyHz, count }) => {
    const own = countAt(extra, frequencyHz);
    const share = count / Math.max(there, 1);
    return binomialCdf(own, here, share) < chance / further.length ? [{ frequencyHz, count: own }] : [];
  });
  return [...few, ...fewFurther].sort((a, b) => a.frequencyHz - b.frequencyHz);
}

/** Noise where noise shows, else the radio: what may keep these channels from being heard, and what to do. */
function suspectOf(
  channelsHz: readonly number[],
  { noise, heard }: ChannelsEvidence,
): { reason: string; advice: string } {
  const middle = median(noise.map(({ aboveDb }) => aboveDb));
  const noisy = noise.filter(
    ({ frequencyHz, aboveDb }) =>
      middle !== null &&
      aboveDb - middle >= LIMITS.channels.noisyDb &&
      channelsHz.some((hz) => isSame(hz, frequencyHz)),
  );
  if (noisy.length > 0 && middle !== null)
    return {
      reason: ` The noise on ${listed(noisy.map(({ frequencyHz }) => megahertzFigure(frequencyHz)))}\u202FMHz is ${decibel((noisy[0]?.aboveDb ?? 0) - middle)} above the other channels: interference.`,
      advice: "Look for a transmitter on these channels, and move the antenna away from it.",
    };
  const others = heard.filter(({ frequencyHz }) => !channelsHz.some((hz) => isSame(hz, frequencyHz)));
  const isBlock =
    channelsHz.length > 1 &&
    others.length > 1 &&
    (others.every(({ frequencyHz }) => frequencyHz < Math.min(...channelsHz)) ||
      others.every(({ frequencyHz }) => frequencyHz > Math.max(...channelsHz)));
  if (isBlock)
    return {
      reason: " They lie side by side, as the channels of one radio chain do.",
      advice:
        "Compare that radio chain's centre frequency (radio_0, radio_1) and its channels with the plan; if they are right, the chain is faulty.",
    };
  const quiet = noise.some(({ frequencyHz }) => channelsHz.some((hz) => isSame(hz, frequencyHz)))
    ? " The noise there is no higher than elsewhere."
    : "";
  return { reason: quiet, advice: SETTINGS_ADVICE };
}

function countAt(heard: ChannelsEvidence["heard"], hz: number): number {
  return heard.reduce((sum, one) => sum + (isSame(one.frequencyHz, hz) ? one.count : 0), 0);
}

function isSame(a: number, b: number): boolean {
  return Math.abs(a - b) <= SAME_HZ;
}

/** A plan is known, but not which of its channels the gateway is set to: a concentrator takes eight. */
function ofEight(
  heard: number,
  total: number,
  where: string,
  plan: string,
): Pick<Found, "state" | "reason"> & Partial<Found> {
  if (heard >= 8)
    return { state: "pass", reason: `${where} ${plan} does not say which of its channels must be there.` };
  if ((7 / 8) ** total >= LIMITS.channels.chance) {
    return {
      state: "waiting",
      reason: `${where} A gateway takes eight at once; the others may be quiet by chance.`,
      awaits: "more packets",
    };
  }
  return {
    state: heard <= 4 ? "fail" : "warn",
    reason: `${where} A gateway takes eight at once, and ${plural(total, "packet")} came on ${heard}.`,
    advice: SETTINGS_ADVICE,
  };
}
