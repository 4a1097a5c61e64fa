/** On which channels does the gateway hear, which of its plan never, and which plan is it? */
import type { BenchItem } from "../../contract/index.ts";
import { percent, span } from "../standing.ts";
import { counted, type Found, itemOf, listed } from "./item.ts";
import { LIMITS } from "./limits.ts";

export interface ChannelsEvidence {
  /** Packets with a right CRC by channel, lowest first. */
  readonly heard: readonly { readonly frequencyHz: number; readonly count: number }[];
  /** Channels that the plan says must be there; empty while no plan is known, or not which of its channels. */
  readonly expectedHz: readonly number[];
  /** "EU863-870", "US902-928, sub-band 2"; null while none is known. */
  readonly plan: string | null;
  /** Time for which the gateway's own reports count no packet at all, up to now; 0 when they count some, or none came. */
  readonly quietSeconds: number;
}

/** Two frequencies are one channel within this: forwarders round. */
const SAME_HZ = 1_500;

/** Which channels of the plan are heard, and which never. */
export function judgeChannels(evidence: ChannelsEvidence): BenchItem {
  return itemOf("channels", "Channels heard", LIMITS.channels.basis, channels(evidence));
}

function channels({ heard, expectedHz, plan, quietSeconds }: ChannelsEvidence): Found {
  const limits = LIMITS.channels;
  const total = heard.reduce((sum, { count }) => sum + count, 0);
  if (total === 0) {
    return quietSeconds >= limits.quietSeconds
      ? {
          state: "warn",
          figure: "none",
          value: 0,
          unit: "channels",
          reason: `Its radio counted no packet in ${span(quietSeconds)}: a quiet place, or it is deaf.`,
          advice: "Let a test node send from a few metres away, and check that the antenna is connected.",
        }
      : {
          state: "waiting",
          figure: "none yet",
          reason: "No packet was heard yet.",
          awaits: "packets on the air",
        };
  }
  const missing = expectedHz.filter(
    (hz) => !heard.some(({ frequencyHz }) => Math.abs(frequencyHz - hz) <= SAME_HZ),
  );
  const figure =
    expectedHz.length === 0
      ? counted(heard.length, "channel")
      : `${expectedHz.length - missing.length} of ${expectedHz.length}`;
  const found = { figure, value: heard.length, unit: "channels" };
  const where = `Heard on ${listed(heard.map(({ frequencyHz, count }) => `${mhz(frequencyHz)} (${count})`))}\u2009MHz.`;
  const known = Math.max(expectedHz.length, 1);
  const chance = (1 - 1 / Math.max(known, heard.length)) ** total;
  if (heard.length === 1 && (expectedHz.length > 1 || plan === null)) {
    // Also without a plan: 60 packets on one channel alone are no accident.
    if (total >= 60) {
      return {
        ...found,
        state: "fail",
        reason: `All ${counted(total, "packet")} came on ${mhz(heard[0]?.frequencyHz ?? 0)}\u2009MHz: it listens to one channel only, or the test node sends on one only.`,
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
  if (missing.length === 0) {
    return {
      ...found,
      state: "pass",
      reason: `All ${expectedHz.length} channels that ${plan} asks for. ${where}`,
    };
  }
  const never = `Never on ${listed(missing.map(mhz))}\u2009MHz, which ${plan} asks for.`;
  if (chance >= limits.chance) {
    const needed = Math.ceil(Math.log(limits.chance) / Math.log(1 - 1 / Math.max(known, heard.length, 2)));
    const more = Math.max(1, needed - total);
    return {
      ...found,
      state: "waiting",
      reason: `${never} So far that may be chance: ${counted(total, "packet")}.`,
      awaits: `about ${counted(more, "more packet", "more packets")}`,
    };
  }
  return {
    ...found,
    state: missing.length >= limits.failShare * expectedHz.length ? "fail" : "warn",
    reason: `${never} In ${counted(total, "packet")} that is no chance. ${where}`,
    advice:
      "Compare the forwarder's channel settings with the plan; if they are right, see whether the test node uses these channels.",
  };
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
    reason: `${where} A gateway takes eight at once, and ${counted(total, "packet")} came on ${heard}.`,
    advice:
      "Compare the forwarder's channel settings with the plan; if they are right, see whether the test node uses these channels.",
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
}

/** Whether the channel plan is recognised, and nothing speaks against it. */
export function judgeRegion(evidence: RegionEvidence): BenchItem {
  return itemOf("region", "Channel plan", LIMITS.region.basis, region(evidence));
}

function region(evidence: RegionEvidence): Found {
  const { verdict, name, confidence, subBand, contradictions, reason, packets } = evidence;
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
          awaits: `about ${counted(LIMITS.region.leastPackets - packets, "more packet")}`,
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
  const sure = `${confidence > 0.995 ? "More than 99\u2009%" : percent(confidence)} sure: ${reason}`;
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

function mhz(frequencyHz: number): string {
  return (Math.round(frequencyHz / 100) / 10_000).toString();
}
