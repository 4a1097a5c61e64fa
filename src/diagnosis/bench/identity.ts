/** Who speaks: which protocol version, under a plausible identifier, and is it one gateway only? */
import { TMST_PERIOD_US, wrapUs } from "../../radio/clock.ts";
import { median } from "../../statistics/robust.ts";
import { duration, plural } from "../../words/format.ts";

import { type Found, LIMITS, secondsFor } from "./limits.ts";

export interface ProtocolEvidence {
  /** Versions that its datagrams bore. */
  readonly versions: readonly number[];
  /** Datagrams of any other version that came from its address and were refused. */
  readonly foreignVersion: number;
}

/** Which version of the protocol the gateway speaks. */
export function judgeProtocol({ versions, foreignVersion }: ProtocolEvidence): Found {
  const newest = Math.max(...versions);
  if (foreignVersion > 0) {
    return {
      state: "fail",
      figure: "unknown version",
      reason: `${plural(foreignVersion, "datagram")} of another protocol version than 1 or 2 came from its address and cannot be read.`,
      advice: "Set the forwarder to the packet forwarding protocol over UDP, version 2.",
    };
  }
  if (versions.length === 0) {
    return { state: "waiting", reason: "No datagram came yet.", awaits: "a datagram" };
  }
  const found = { figure: `version ${versions.join(" and ")}`, value: newest, unit: "version" };
  if (versions.length > 1) {
    return {
      ...found,
      state: "warn",
      reason: "Datagrams of versions 1 and 2 came under this identifier.",
      advice: "If the software was not changed meanwhile, two programs send: stop one of them.",
    };
  }
  if (newest === 1) {
    return {
      ...found,
      state: "warn",
      reason: "Version 1 works, but never tells whether a downlink was sent.",
      advice: "Bring the forwarder up to version 2 where that can be done.",
    };
  }
  return { ...found, state: "pass", reason: "It speaks version 2." };
}

// `gateway_ID` of lora_pkt_fwd/global_conf.json and local_conf.json in the reference repository Lora-net/packet_forwarder.
const SHIPPED = new Set(["AA555A0000000000", "AA555A0000000101"]);

/** Whether an identifier can be this gateway's own. `eui`: 16 upper-case hex digits. */
export function judgeIdentifier(eui: string): Found {
  const advice = "Set the identifier that is printed on the gateway, or that its maker's tool gives.";
  const fails = (reason: string): Found => ({ state: "fail", figure: eui, reason, advice });
  if (/^0+$/.test(eui)) return fails("All zero: no identifier is set.");
  if (/^F+$/.test(eui)) return fails("All ones: no identifier is set.");
  if (SHIPPED.has(eui))
    return fails("This is the identifier of the sample configuration, not the gateway's own.");
  const octets = eui.match(/../g) ?? [];
  if (new Set(octets).size === 1) {
    return {
      state: "warn",
      figure: eui,
      reason: `Eight times the octet ${octets[0]}: hardly a real identifier.`,
      advice,
    };
  }
  if ((Number.parseInt(octets[0] ?? "0", 16) & 1) === 1) {
    return {
      state: "warn",
      figure: eui,
      reason: "Its first octet is odd, which marks a group: no single device has such an identifier.",
      advice,
    };
  }
  return { state: "pass", figure: eui, reason: "It is no known default and could be this gateway's own." };
}

export interface OneGatewayEvidence {
  /** Receptions whose counter was read. */
  readonly readings: number;
  /** How often the counter came back to a count that it had left. */
  readonly returns: number;
  /** Counts that it went back and forth between. */
  readonly lines: number;
  /** Time in which the readings came. */
  readonly seconds: number;
}

/** Whether one gateway alone uses the identifier: two have two counters. */
export function judgeOneGateway({ readings, returns, lines, seconds }: OneGatewayEvidence): Found {
  const limits = LIMITS.oneGateway;
  const advice =
    "Give each gateway an identifier of its own; images copied from card to card carry one along.";
  const found = { figure: plural(lines, "counter"), value: lines, unit: "counters" };
  if (returns >= limits.failReturns) {
    return {
      ...found,
      state: "fail",
      reason: `Its packets bear ${lines} counters in turn, back and forth ${returns} times: two gateways use this identifier.`,
      advice,
    };
  }
  if (readings < limits.leastReadings) {
    return {
      state: "waiting",
      reason: `${plural(readings, "packet")} of ${limits.leastReadings} that are needed.`,
      awaits: `${limits.leastReadings - readings} more packets`,
      awaitsSeconds: secondsFor(limits.leastReadings - readings, readings, seconds),
    };
  }
  if (returns >= limits.warnReturns) {
    return {
      ...found,
      state: "warn",
      reason: `Its counter came back ${returns === 1 ? "once" : "twice"} to a count that it had left: a second gateway, or packets that came very late.`,
      advice,
    };
  }
  return {
    ...found,
    figure: "one counter",
    state: "pass",
    reason: `${plural(readings, "packet")}, never back on a count that was left.`,
  };
}

// Is the time that the gateway writes on each packet (`time` of rxpk) right, and does it go forward?

/** One packet with a time of its own, in order of arrival. */
export interface PacketTimeReading {
  readonly tmstUs: number;
  readonly atUs: number;
  /** `time` minus arrival. */
  readonly timeOffsetUs: number;
}

export interface PacketTimeEvidence {
  /** Packets whose counter was read; most gateways write no time. */
  readonly packets: number;
  readonly dated: readonly PacketTimeReading[];
}

/** Packets of one fetch need not stand in order. Chosen: far above a fetch of 10 ms. */
const DISORDER_US = 50_000;
const HALF_HOUR_S = 1_800;

/** `time` of packets against arrival and against the counter. */
export function judgePacketTime({ packets, dated }: PacketTimeEvidence): Found {
  const limits = LIMITS.packetTime;
  if (packets === 0) return { state: "waiting", reason: "No packet came yet.", awaits: "packets on the air" };
  if (dated.length === 0) {
    return {
      state: "waiting",
      figure: "no time",
      reason: "Its packets carry no time of their own, as usual without GPS; arrival dates them.",
    };
  }
  if (dated.length < limits.leastPackets) {
    return {
      state: "waiting",
      reason: `${dated.length} of ${limits.leastPackets} packets with a time that are needed.`,
      awaits: `${limits.leastPackets - dated.length} more packets with a time`,
    };
  }
  const offset = (median(dated.map(({ timeOffsetUs }) => timeOffsetUs)) ?? 0) / 1e6;
  const size = Math.abs(offset);
  const found = { figure: `${offset < 0 ? "\u2212" : "+"}${duration(size)}`, value: offset, unit: "s" };
  const side = offset > 0 ? "ahead of" : "behind";
  if (size > limits.warnSeconds) {
    const why = reasonOf(size);
    return {
      ...found,
      state: size > limits.failSeconds ? "fail" : "warn",
      reason: `\`time\` of its packets is ${duration(size)} ${side} their arrival (median of ${plural(dated.length, "packet")}).${why.reason}`,
      advice: why.advice,
    };
  }
  const back = backwards(dated);
  const share = back / dated.length;
  if (back > 0 && share >= limits.warnShare) {
    return {
      ...found,
      figure: `${back} out of order`,
      value: back,
      unit: "packets",
      state: share >= limits.failShare ? "fail" : "warn",
      reason: `\`time\` ran backwards or jumped at ${back} of ${plural(dated.length, "packet")}, while the counter went on.`,
      advice:
        "Check the GPS: antenna with a view of the sky, and its PPS line to the concentrator. Without PPS switch the packet time off.",
    };
  }
  return {
    ...found,
    state: "pass",
    reason: `\`time\` of ${plural(dated.length, "packet")} agrees with arrival to ${duration(Math.max(1, size))} and goes forward.`,
  };
}

/** What an offset of such a size is known for. */
function reasonOf(size: number): { reason: string; advice: string } {
  const clock = "Give the gateway a time server (NTP), or a GPS with a view of the sky.";
  const hours = Math.round(size / HALF_HOUR_S) / 2;
  if (hours >= 0.5 && hours <= 14 && Math.abs(size - hours * 3_600) <= 60)
    return {
      reason: " By whole or half hours: it writes its local time as UTC.",
      advice: "Set the gateway's time zone to UTC, or its forwarder to write UTC.",
    };
  if (Math.abs(size - TMST_PERIOD_US / 1e6) <= 60)
    return {
      reason: " That is one wrap of the counter (71 min 35 s): the forwarder converts it wrongly.",
      advice: "Restart the forwarder after the GPS has its fix; update it if the error returns.",
    };
  // GPS runs 18 s ahead of UTC since 2017; a forwarder that leaves the leap seconds out shows that.
  if (Math.abs(size - 18) <= 1.5)
    return {
      reason: " 18 s are the leap seconds between GPS and UTC: it writes GPS time as UTC.",
      advice: "Update the forwarder, or switch the packet time off.",
    };
  return { reason: "", advice: clock };
}

/** How often `time` went backwards, or parted from the counter by more than a second, from one packet to the next. */
function backwards(dated: readonly PacketTimeReading[]): number {
  let count = 0;
  for (const [i, one] of dated.entries()) {
    const before = dated[i - 1];
    if (before === undefined) continue;
    const counted = one.tmstUs - before.tmstUs;
    const counterUs = wrapUs(counted);
    const timeUs = one.atUs + one.timeOffsetUs - before.atUs - before.timeOffsetUs;
    const arrivalUs = one.atUs - before.atUs;
    // After a restart the counter proves nothing; then arrival does.
    const truthUs = Math.abs(counterUs - arrivalUs) < 2_000_000 ? counterUs : arrivalUs;
    if ((timeUs < -DISORDER_US && truthUs > 0) || Math.abs(timeUs - truthUs) > 1_000_000) count += 1;
  }
  return count;
}
