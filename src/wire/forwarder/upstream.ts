/**
 * What does a datagram from a gateway say? PUSH_DATA (packets, status), PULL_DATA (keepalive) or TX_ACK.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3 to 6.
 * Never throws: every byte string gives a datagram with its oddities, or a named fault.
 *
 * Order of tests: length, version, identifier, direction, EUI length, then the body. A good head with a
 * broken body is a datagram: the protocol asks for its acknowledgement before anyone looks at the body.
 */
import type { RadioPacket, StatusReport, UpstreamDatagram } from "../../model/datagram.ts";
import { internalFault, type Oddity, type WireFault } from "../../model/fault.ts";
import { isJsonObject, readBody } from "./body.ts";
import { fieldType } from "./fields.ts";
import { decodeHead, gatewayEuiOf, identifiers, upstreamHeadOctets } from "./header.ts";
import { OddityLog } from "./oddity-log.ts";
import { readRadioPacket } from "./rxpk.ts";
import { readStatus } from "./stat.ts";
import { readTransmitOutcome } from "./transmit-outcome.ts";

export { refusedReasons } from "./oddity-log.ts";

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
