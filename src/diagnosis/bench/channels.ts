/** On which channels does the gateway hear, which of its plan never, and which plan is it? */
import type { BenchItem } from "../../contract/index.ts";
import { binomialCdf } from "../../statistics/proportions.ts";
import { median } from "../../statistics/robust.ts";
import { decibel, figure, listed, megahertzFigure, percentInWords, plural } from "../../words/format.ts";

import { type Found, itemOf, LIMITS, secondsFor } from "./limits.ts";

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
export function judgeChannels(evidence: ChannelsEvidence): BenchItem {
  return itemOf("channels", "Channels heard", LIMITS.channels.basis, channels(evidence));
}

function channels(evidence: ChannelsEvidence): Found {
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
      reason: `Never on ${listed(missing.map(megahertzFigure))}\u202FMHz, which ${plan} asks for. In ${plural(total, "packet")} that is no chance.${suspect.reason} ${where}`,
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

export interface RegionEvidence {
  readonly verdict: "recognised" | "ambiguous" | "no-known-plan" | "nothing-heard";
  readonly name: string | null;
  readonly confidence: number;
  readonly subBand: number | null;
  readonly contradictions: readonly string[];
  readonly reason: string;
  /** Packets it rests on. */
  readonly packets: number;
  /** Sub-bands of a fixed plan in which it heard something; empty for other plans. */
  readonly heardSubBands: readonly number[];
  /** Channels of a fixed plan that it heard. */
  readonly heardChannels: number;
  /** A plan of the user's own that lies in another sub-band of the region than what was heard. */
  readonly wantedElsewhere: { readonly plan: string; readonly subBand: number } | null;
  /** What its nodes and the site's other gateways say against its channels, as sentences. */
  readonly againstSubBand: readonly string[];
  /** The plan that the user named; null: none. */
  readonly expected: ExpectedPlan | null;
  readonly seconds: number;
}

/** A plan that was named, held against what was heard. */
export interface ExpectedPlan {
  /** "US902-928, sub-band 2". */
  readonly name: string;
  /** Its channels in words: "903.9 to 905.3 MHz". */
  readonly channels: string;
  /** Packets on its channels with its data rates. */
  readonly fitting: number;
}

/** Whether the channel plan is recognised, and nothing speaks against it. */
export function judgeRegion(evidence: RegionEvidence): BenchItem {
  return itemOf("region", "Channel plan", LIMITS.region.basis, region(evidence));
}

function region(evidence: RegionEvidence): Found {
  const { verdict, name, confidence, subBand, contradictions, reason, packets, expected } = evidence;
  if (expected !== null) return againstExpected(expected, evidence);
  if (verdict === "nothing-heard") {
    const [elsewhere] = evidence.againstSubBand;
    if (elsewhere !== undefined) {
      return {
        state: "warn",
        figure: "nothing heard",
        reason: elsewhere,
        advice: "Compare the channel settings of the two gateways.",
      };
    }
    return { state: "waiting", reason, awaits: "packets on the air" };
  }
  if (verdict === "ambiguous") {
    return packets < LIMITS.region.leastPackets
      ? {
          state: "waiting",
          reason,
          awaits: `about ${plural(LIMITS.region.leastPackets - packets, "more packet")}`,
          awaitsSeconds: secondsFor(LIMITS.region.leastPackets - packets, packets, evidence.seconds),
        }
      : {
          state: "warn",
          figure: "ambiguous",
          reason,
          advice: "If the plan is your own, hand it in as a file (see --plans).",
        };
  }
  if (verdict === "no-known-plan" || name === null) {
    return {
      state: packets < LIMITS.region.leastPackets ? "warn" : "fail",
      figure: "none known",
      reason,
      advice:
        "Compare the forwarder's frequencies with the region it stands in; a plan of your own can be handed in as a file (see --plans).",
    };
  }
  const band = subBand === null ? "" : `, sub-band ${subBand}`;
  const found = { figure: `${name}${band}`, value: confidence * 100, unit: "%" };
  const wrong = wrongSubBand(evidence);
  if (wrong !== null) return { ...found, state: "fail", ...wrong };
  if (
    evidence.heardSubBands.length === 2 &&
    evidence.heardChannels <= 9 &&
    packets >= LIMITS.region.leastPackets
  ) {
    return {
      ...found,
      state: "warn",
      reason: `Its ${evidence.heardChannels} channels lie across sub-bands ${listed(evidence.heardSubBands.map(String))}: nodes that keep to one sub-band are heard by half.`,
      advice: "Set the forwarder to the eight channels of one sub-band.",
    };
  }
  const sure = `${confidence > 0.995 ? "More than 99\u202F%" : percentInWords(confidence)} sure: ${reason}`;
  if (contradictions.length > 0) {
    return {
      ...found,
      state: "warn",
      reason: `${sure} Against it: ${contradictions.join(" ")}`,
      advice: "Compare the forwarder's channel settings with the plan.",
    };
  }
  return { ...found, state: "pass", reason: sure };
}

/** Packets from which on a named plan is judged. Chosen: a false detection or two lie anywhere. */
const MIN_FOR_EXPECTED = 5;

function againstExpected(expected: ExpectedPlan, { packets, name, subBand, seconds }: RegionEvidence): Found {
  if (packets < MIN_FOR_EXPECTED) {
    return {
      state: "waiting",
      figure: expected.name,
      reason: `${plural(packets, "packet")} of ${MIN_FOR_EXPECTED} that are needed to hold it against ${expected.name}.`,
      awaits: plural(MIN_FOR_EXPECTED - packets, "more packet"),
      awaitsSeconds: secondsFor(MIN_FOR_EXPECTED - packets, packets, seconds),
    };
  }
  const share = expected.fitting / packets;
  const found = {
    figure: `${figure(expected.fitting)} of ${figure(packets)}`,
    value: share * 100,
    unit: "%",
  };
  const sentence = `${figure(expected.fitting)} of ${plural(packets, "packet")} lie on the channels and data rates of ${expected.name}, which you expect.`;
  if (share >= LIMITS.region.expectedShare) return { ...found, state: "pass", reason: sentence };
  const instead = name === null ? "" : ` It hears ${name}${subBand === null ? "" : `, sub-band ${subBand}`}.`;
  return {
    ...found,
    state: share < 0.5 ? "fail" : "warn",
    reason: `${sentence}${instead}`,
    advice: `Set the forwarder to the channels of ${expected.name}: ${expected.channels}.`,
  };
}

/** Whether what is known says that the gateway listens to another part of the plan than the network uses. */
function wrongSubBand({ subBand, wantedElsewhere, againstSubBand }: RegionEvidence): {
  reason: string;
  advice: string;
} | null {
  if (wantedElsewhere !== null && subBand !== null) {
    return {
      reason: `Wrong sub-band: it listens to sub-band ${subBand}, and the plan ${wantedElsewhere.plan} lies in sub-band ${wantedElsewhere.subBand}.`,
      advice: `Set the forwarder to the channels of sub-band ${wantedElsewhere.subBand}.`,
    };
  }
  if (againstSubBand.length === 0) return null;
  return {
    reason: `Wrong sub-band: ${againstSubBand.join(" ")}`,
    advice: "Set gateway and network to the same part of the plan; nodes follow the network after they join.",
  };
}
