/** Who speaks: which protocol version, under a plausible identifier, and is it one gateway only? */
import type { BenchItem } from "../../contract/index.ts";
import { counted, type Found, itemOf, secondsFor } from "./item.ts";
import { LIMITS } from "./limits.ts";

export interface ProtocolEvidence {
  /** Versions that its datagrams bore. */
  readonly versions: readonly number[];
  /** Datagrams of any other version that came from its address and were refused. */
  readonly foreignVersion: number;
}

/** Which version of the protocol the gateway speaks. */
export function judgeProtocol(evidence: ProtocolEvidence): BenchItem {
  return itemOf("protocol-version", "Protocol version", LIMITS.protocol.basis, protocol(evidence));
}

function protocol({ versions, foreignVersion }: ProtocolEvidence): Found {
  const newest = Math.max(...versions);
  if (foreignVersion > 0) {
    return {
      state: "fail",
      figure: "unknown version",
      reason: `${counted(foreignVersion, "datagram")} of another protocol version than 1 or 2 came from its address and cannot be read.`,
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
export function judgeIdentifier(eui: string): BenchItem {
  return itemOf("identifier", "Identifier", LIMITS.identifier.basis, identifier(eui));
}

function identifier(eui: string): Found {
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
export function judgeOneGateway(evidence: OneGatewayEvidence): BenchItem {
  return itemOf("one-gateway", "Single gateway", LIMITS.oneGateway.basis, oneGateway(evidence));
}

function oneGateway({ readings, returns, lines, seconds }: OneGatewayEvidence): Found {
  const limits = LIMITS.oneGateway;
  const advice =
    "Give each gateway an identifier of its own; images copied from card to card carry one along.";
  const found = { figure: counted(lines, "counter"), value: lines, unit: "counters" };
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
      reason: `${counted(readings, "packet")} of ${limits.leastReadings} that are needed to tell.`,
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
    reason: `${counted(readings, "packet")}, never back on a count that was left.`,
  };
}
