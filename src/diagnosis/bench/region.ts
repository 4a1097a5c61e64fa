/** Does the gateway listen to the channel plan that its region has, or that was named? */
import type { RegionRecognition } from "../../radio/regions/recognise-region.ts";
import { figure, listed, percentInWords, plural } from "../../words/format.ts";
import { type Found, LIMITS, secondsFor } from "./limits.ts";

export interface RegionEvidence
  extends Pick<
    RegionRecognition,
    "verdict" | "name" | "confidence" | "subBand" | "contradictions" | "reason"
  > {
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
interface ExpectedPlan {
  /** "US902-928, sub-band 2". */
  readonly name: string;
  /** Its channels in words: "903.9 to 905.3 MHz". */
  readonly channels: string;
  /** Packets on its channels with its data rates. */
  readonly fitting: number;
}

/** Whether the channel plan is recognised, and nothing speaks against it. */
export function judgeRegion(evidence: RegionEvidence): Found {
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
          advice: "If the plan is your own, give it as a file (see --plans).",
        };
  }
  if (verdict === "no-known-plan" || name === null) {
    return {
      state: packets < LIMITS.region.leastPackets ? "warn" : "fail",
      figure: "none known",
      reason,
      advice:
        "Compare the forwarder's frequencies with the region it stands in; a plan of your own can be given as a file (see --plans).",
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
