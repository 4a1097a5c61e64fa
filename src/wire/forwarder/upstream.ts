/**
 * What does a datagram from a gateway say? PUSH_DATA (packets, status), PULL_DATA (keepalive) or TX_ACK.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3 to 6.
 * Never throws: every byte string gives a datagram with its oddities, or a named fault.
 *
 * Order of tests: length, version, identifier, direction, EUI length, then the body. A good head with a
 * broken body is a datagram: the protocol asks for its acknowledgement before anyone looks at the body.
 */
import type { RadioPacket, StatusReport, TransmitOutcome, UpstreamDatagram } from "../../model/datagram.ts";
import { internalFault, type Oddity, type WireFault } from "../../model/fault.ts";
import { cutText, fieldType, isJsonObject, OddityLog, readNumber } from "./fields.ts";
import { decodeHead, gatewayEuiOf, identifiers, upstreamHeadOctets } from "./header.ts";
import { readBody } from "./json-body.ts";
import { readRadioPacket, readStatus } from "./rxpk.ts";

// What became of a downlink, by the gateway's own word? The body of a TX_ACK datagram.
// Source: PROTOCOL.TXT revisions 1.3 to 1.6, section 5 (TX_ACK) and 6 (txpk_ack).

/** Longest error text that is kept: some daemons send sentences. */
const wordLimit = 64;

// PROTOCOL.TXT section 6; UNKNOWN occurs in the daemon's code only.
const errorWords: ReadonlySet<string> = new Set([
  "TOO_LATE",
  "TOO_EARLY",
  "COLLISION_PACKET",
  "COLLISION_BEACON",
  "TX_FREQ",
  "TX_POWER",
  "GPS_UNLOCKED",
  "UNKNOWN",
]);

// From memory: far outside what any radio emits or hears.
const powerRule = { min: -100, max: 100 } as const;

const accepted: TransmitOutcome = {
  result: "accepted",
  word: null,
  powerDbm: null,
};
const unreadable: TransmitOutcome = {
  result: "unreadable",
  word: null,
  powerDbm: null,
};

/**
 * Reads the body of a TX_ACK. No body, an empty `txpk_ack`, an empty error and the word NONE all mean
 * success. A body that cannot be read means that the outcome is not known, never success.
 */
function readTransmitOutcome(bytes: Uint8Array, log: OddityLog): TransmitOutcome {
  const body = readBody(bytes, upstreamHeadOctets, log, false);
  if (body === "empty") return accepted;
  if (body === "broken") return unreadable;
  const ack = body.txpk_ack;
  if (!isJsonObject(ack)) {
    log.note("body_unknown", true, "no txpk_ack object");
    return unreadable;
  }
  const { error, warn } = ack;
  if (isSaid(error)) {
    if (typeof error !== "string") {
      log.note("txack_unknown", true, `error is ${fieldType(error)}`);
      return unreadable;
    }
    if (!errorWords.has(error.toUpperCase())) log.note("txack_unknown", true, error);
    return {
      result: "refused",
      word: cutText(error, wordLimit),
      powerDbm: readNumber(ack, "value", powerRule, log),
    };
  }
  if (!isSaid(warn)) return accepted;
  // Revision 1.5: TX_POWER is a warning, the packet is sent at the power in `value`.
  const powerDbm = readNumber(ack, "value", powerRule, log);
  if (typeof warn === "string" && warn.toUpperCase() === "TX_POWER") {
    return { result: "accepted-lower-power", word: warn, powerDbm };
  }
  log.note("txack_unknown", true, typeof warn === "string" ? warn : `warn is ${fieldType(warn)}`);
  return { result: "accepted", word: null, powerDbm };
}

/** Whether the key holds something other than the ways of saying nothing. */
function isSaid(field: unknown): boolean {
  if (field === undefined || field === null || field === "") return false;
  return typeof field !== "string" || field.toUpperCase() !== "NONE";
}

export { refusedReasons } from "./fields.ts";

export type UpstreamDecoding =
  | { readonly ok: false; readonly fault: WireFault }
  | {
      readonly ok: true;
      readonly datagram: UpstreamDatagram;
      readonly oddities: readonly Oddity[];
    };

/**
 * The reference daemons fetch at most 8 (SX1301) or 255 (SX1302) packets from the concentrator for one datagram
 * (`NB_PKT_MAX`): no concentrator reports more at once. What a datagram holds beyond that is refused.
 */
const packetLimit = 255;

const fromGateway: readonly number[] = [identifiers.pushData, identifiers.pullData, identifiers.txAck];

/**
 * Decodes one datagram that a gateway sent. Faults: `short`, `version`, `ident`, `direction`, `short_eui`, and
 * `internal` for an error of this program; everything else is an oddity of a datagram that was understood (see
 * `refusedReasons`).
 */
export function decodeUpstream(bytes: Uint8Array): UpstreamDecoding {
  try {
    return decode(bytes);
  } catch (error) {
    // An error of this program costs the one datagram that met it, never the service.
    return { ok: false, fault: internalFault(error) };
  }
}

function decode(bytes: Uint8Array): UpstreamDecoding {
  const decoded = decodeHead(bytes, fromGateway);
  if (!decoded.ok) return decoded;
  const gatewayEui = gatewayEuiOf(bytes);
  if (gatewayEui === null) {
    const fault: WireFault = {
      reason: "short_eui",
      layer: "datagram",
      at: 0,
      need: upstreamHeadOctets,
      have: bytes.length,
    };
    return { ok: false, fault };
  }
  const log = new OddityLog();
  const { version, token, identifier } = decoded.head;
  const head = { version, token, gatewayEui };
  let datagram: UpstreamDatagram;
  if (identifier === identifiers.pushData) {
    datagram = { kind: "push-data", ...head, ...readPushBody(bytes, log) };
  } else if (identifier === identifiers.pullData) {
    if (bytes.length > upstreamHeadOctets) {
      log.note("trailing", true, `${bytes.length - upstreamHeadOctets} octets`);
    }
    datagram = { kind: "pull-data", ...head };
  } else {
    // TX_ACK came with wire version 2; a version 1 gateway that sends it is worth a look.
    if (version === 1) log.note("v1_txack", true);
    datagram = {
      kind: "tx-ack",
      ...head,
      outcome: readTransmitOutcome(bytes, log),
    };
  }
  return { ok: true, datagram, oddities: log.entries };
}

function readPushBody(
  bytes: Uint8Array,
  log: OddityLog,
): { packets: readonly RadioPacket[]; status: StatusReport | null } {
  const body = readBody(bytes, upstreamHeadOctets, log, true);
  if (body === "empty") log.note("body_empty", true);
  if (body === "empty" || body === "broken") return { packets: [], status: null };

  const { rxpk, stat } = body;
  const hasPackets = rxpk !== undefined && rxpk !== null;
  const hasStatus = stat !== undefined && stat !== null;
  if (Object.hasOwn(body, "txpk") || Object.hasOwn(body, "txpk_ack")) {
    log.note("body_unknown", true, "txpk or txpk_ack in PUSH_DATA");
  } else if (!hasPackets && !hasStatus) {
    log.note("body_unknown", true, "neither rxpk nor stat");
  }
  let status: StatusReport | null = null;
  if (isJsonObject(stat)) status = readStatus(stat, log);
  else if (hasStatus) log.note("stat_odd", true, "stat is no object");
  return { packets: hasPackets ? readPackets(rxpk, log) : [], status };
}

function readPackets(rxpk: unknown, log: OddityLog): readonly RadioPacket[] {
  let elements: readonly unknown[];
  if (Array.isArray(rxpk)) {
    elements = rxpk;
    if (elements.length === 0) log.note("rxpk_empty", false);
  } else {
    elements = [rxpk];
    if (isJsonObject(rxpk)) log.note("rxpk_object", true);
  }
  if (elements.length > packetLimit) {
    log.noteSeveral("rxpk_many", elements.length - packetLimit, `${elements.length} packets`);
  }
  const packets: RadioPacket[] = [];
  for (const element of elements.slice(0, packetLimit)) {
    log.beginPacket();
    if (isJsonObject(element)) packets.push(readRadioPacket(element, log));
    else log.note("rxpk_element", true, fieldType(element));
  }
  return packets;
}
