/** Does the radio hear, on more than one data rate, and only what nodes send? */
import { duration, figure, percentInWords, plural } from "../../words/format.ts";
import { type Found, LIMITS, secondsFor } from "./limits.ts";

export interface RadioEvidence {
  /** Packets of the window: by its own reports (rxnb), or as they arrived where reports do not count. */
  readonly packets: number;
  /** Whether the figures come from the gateway's reports, which count wrong CRCs too. */
  readonly byReports: boolean;
  /** Time up to now without any packet, while the gateway went on sending; 0 when it still hears. */
  readonly quietSeconds: number;
  /** Time before that, in which `packets` came. */
  readonly heardSeconds: number;
  /** Device addresses heard before it fell quiet. */
  readonly nodes: number;
  /** Frames that other gateways heard while this one was quiet; null: no other gateway was there. */
  readonly heardByOthers: number | null;
  /** The plan that the user named, as in "US915, sub-band 2"; null: none. */
  readonly expectedPlan: string | null;
}

/** Whether the radio delivers packets at all, and goes on doing so. */
export function judgeRadio(evidence: RadioEvidence): Found {
  const { packets, byReports, quietSeconds, heardSeconds } = evidence;
  const limits = LIMITS.radio;
  if (packets === 0) return neverHeard(evidence);
  const expected = heardSeconds > 0 ? (packets * quietSeconds) / heardSeconds : 0;
  const others = evidence.heardByOthers ?? 0;
  const isQuiet =
    packets >= limits.leastBefore && expected >= limits.expected && quietSeconds >= limits.leastQuietSeconds;
  if (isQuiet || (others >= limits.expected && quietSeconds >= limits.warnQuietSeconds)) {
    const isSure = others >= limits.expected || evidence.nodes >= limits.leastNodes;
    const meanwhile =
      others > 0
        ? ` Other gateways heard ${plural(others, "frame")} meanwhile.`
        : ` About ${Math.round(expected)} were to be expected.`;
    const nodes = isSure
      ? ""
      : ` Only ${plural(evidence.nodes, "node")} had been heard, so the ${evidence.nodes === 1 ? "node" : "nodes"} may have stopped.`;
    return {
      state: isSure ? "fail" : "warn",
      figure: `deaf for ${duration(quietSeconds)}`,
      value: quietSeconds,
      unit: "s",
      reason: `It still sends, but ${byReports ? "its radio counted" : "brought"} no packet in the last ${duration(quietSeconds)}.${meanwhile}${nodes}`,
      advice:
        "Its radio hangs: restart the forwarder, then cut its power. If it returns, look at supply, heat and the board's reset line.",
    };
  }
  return {
    state: "pass",
    figure: plural(packets, "packet"),
    value: packets,
    unit: "packets",
    reason: `${byReports ? "Its radio counted" : "It brought"} ${plural(packets, "packet")}, the last ${duration(quietSeconds)} ago or less.`,
  };
}

function neverHeard({ byReports, quietSeconds, expectedPlan }: RadioEvidence): Found {
  const limits = LIMITS.radio;
  if (quietSeconds < limits.warnQuietSeconds) {
    return {
      state: "waiting",
      figure: "0 packets",
      reason: `No packet yet in ${duration(quietSeconds)}.`,
      awaits: "a packet on the air",
      awaitsSeconds: limits.warnQuietSeconds - quietSeconds,
    };
  }
  const plan =
    expectedPlan === null
      ? "its channel plan and sub-band (--expect names one)"
      : `that it is set to ${expectedPlan}`;
  return {
    state: quietSeconds >= limits.failQuietSeconds ? "fail" : "warn",
    figure: "hears nothing",
    value: 0,
    unit: "packets",
    reason: `${byReports ? "Its radio counted" : "It brought"} no packet in ${duration(quietSeconds)}: nobody sent nearby, or it is deaf.`,
    advice: `Let a test node send from a few metres away. If nothing comes, check the antenna and its connector, ${plan}, and the board's power.`,
  };
}

export interface DataRateEvidence {
  /** Packets with a right CRC by data rate, as in SF7BW125. */
  readonly heard: readonly { readonly dataRate: string; readonly count: number }[];
  readonly channels: number;
  readonly nodes: number;
  readonly seconds: number;
}

/** Whether more than one data rate is heard: a receiver for one alone is no gateway for LoRaWAN. */
export function judgeDataRates({ heard, channels, nodes, seconds }: DataRateEvidence): Found {
  const limits = LIMITS.dataRates;
  const total = heard.reduce((sum, { count }) => sum + count, 0);
  if (total === 0)
    return { state: "waiting", reason: "No packet with a right CRC came yet.", awaits: "packets on the air" };
  const found = { figure: plural(heard.length, "data rate"), value: heard.length, unit: "data rates" };
  if (heard.length > 1) {
    const most = heard.map(({ dataRate, count }) => `${dataRate} (${figure(count)})`).slice(0, 6);
    return { ...found, state: "pass", reason: `Heard with ${most.join(", ")}.` };
  }
  const only = heard[0]?.dataRate ?? "";
  if (total < limits.leastPackets) {
    return {
      ...found,
      state: "waiting",
      reason: `All ${plural(total, "packet")} came with ${only}; so far that says little.`,
      awaits: `${limits.leastPackets - total} more packets`,
      awaitsSeconds: secondsFor(limits.leastPackets - total, total, seconds),
    };
  }
  if (channels === 1) {
    return {
      ...found,
      state: "fail",
      reason: `All ${plural(total, "packet")} came with ${only} on one channel: this is a receiver for one channel and one data rate.`,
      advice:
        "Such a receiver is not a gateway for LoRaWAN; use a concentrator, or set all channels and data rates.",
    };
  }
  if (nodes >= limits.leastNodes) {
    return {
      ...found,
      state: "warn",
      reason: `All ${plural(total, "packet")} of ${plural(nodes, "node")} came with ${only}: the gateway hears one data rate only, or its nodes use one.`,
      advice: "Let a test node send with another spreading factor, and compare the forwarder's settings.",
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `All ${plural(total, "packet")} came with ${only}, from ${plural(nodes, "node")}: a node near the gateway uses one.`,
  };
}

export interface OverheardEvidence {
  /** Packets of the window without a wrong CRC. */
  readonly packets: number;
  /** Of these, such as only a network sends to nodes, and of those with a CRC. */
  readonly downlinks: number;
  readonly withCrc: number;
}

/** Whether downlinks of other gateways come in as if they were uplinks. */
export function judgeOverheard({ packets, downlinks, withCrc }: OverheardEvidence): Found {
  const limits = LIMITS.overheard;
  if (packets === 0) return { state: "waiting", reason: "No packet came yet.", awaits: "packets on the air" };
  const share = downlinks / packets;
  const found = {
    figure: downlinks === 0 ? "none" : plural(downlinks, "downlink"),
    value: downlinks,
    unit: "downlinks",
  };
  if (downlinks < limits.least) {
    return {
      ...found,
      state: "pass",
      reason:
        downlinks === 0
          ? `None of ${plural(packets, "packet")} is a downlink.`
          : `${downlinks} of ${plural(packets, "packet")} may be a downlink, too few to matter.`,
    };
  }
  return {
    ...found,
    state: share >= limits.failShare ? "fail" : "warn",
    reason: `${plural(downlinks, "downlink")} of other gateways came in as uplinks (${percentInWords(share)} of ${plural(packets, "packet")}), ${withCrc * 2 > downlinks ? "most with a CRC" : "without a CRC"}.`,
    advice:
      withCrc * 2 > downlinks
        ? "They load the network for nothing: the gateway that sends them adds a CRC and the wrong polarity; look at its server's txpk (ncrc, ipol)."
        : "They load the network for nothing: set forward_crc_disabled to false, and look for a gateway nearby that sends without inverted polarity (ipol).",
  };
}

export interface CrcEvidence {
  /** From the reports: all packets, and those with a right CRC; null where they do not say. */
  readonly received: number | null;
  readonly crcOk: number | null;
  /** What arrived here, and of these with a wrong CRC. */
  readonly arrived: number;
  readonly arrivedBad: number;
}

/** Which share of the packets had a wrong CRC. */
export function judgeCrcFailed({ received, crcOk, arrived: came, arrivedBad }: CrcEvidence): Found {
  const limits = LIMITS.crcFailed;
  const bySelf = received !== null && crcOk !== null && received >= crcOk && received > 0;
  // Without reports only a forwarder that passes on broken packets shows any.
  if (!bySelf && arrivedBad === 0) {
    return {
      state: "waiting",
      reason:
        "Neither its reports nor its packets show wrong CRCs; most forwarders leave broken packets out.",
      awaits: "a status report that counts packets",
    };
  }
  const all = bySelf ? received : came;
  const bad = bySelf ? received - crcOk : arrivedBad;
  const who = bySelf ? "by its own count" : "as they arrived";
  if (all < limits.leastPackets) {
    return {
      state: "waiting",
      figure: `${bad} of ${all}`,
      reason: `${plural(all, "packet")} of ${limits.leastPackets} that are needed.`,
      awaits: `${limits.leastPackets - all} more packets on the air`,
    };
  }
  const share = bad / all;
  const found = { figure: percentInWords(share), value: share * 100, unit: "%" };
  const sentence = `${figure(bad)} of ${plural(all, "packet")} had a wrong CRC, ${who}.`;
  const advice =
    "Look at the antenna and its cable, at the noise floor, and for a strong transmitter nearby.";
  if (share >= limits.failShare) return { ...found, state: "fail", reason: sentence, advice };
  if (share >= limits.warnShare) return { ...found, state: "warn", reason: sentence, advice };
  return { ...found, state: "pass", reason: sentence };
}
