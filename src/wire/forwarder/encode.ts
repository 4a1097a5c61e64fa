/**
 * How are the datagrams of both directions written? For the simulator, the relay's tests and round trips.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3 to 6.
 */
import type { PullData, PushData, TransmitOutcome, TxAck } from "../../model/datagram.ts";
import { type PullAck, type PullResponse, type PushAck, writeTransmission } from "./downstream.ts";
import { type Figures, field, object, writeRadioPacket, writeStatus } from "./encode-packet.ts";
import { identifiers, writeHead } from "./header.ts";

/** An outcome that has a form on the wire: "unreadable" is a reader's word. */
export type SendableOutcome = TransmitOutcome & {
  readonly result: Exclude<TransmitOutcome["result"], "unreadable">;
};

/**
 * PUSH_DATA. Packets take the SX1302 daemon's form when signal RSSI, frequency offset or fine time is given,
 * the SX1301 daemon's form otherwise, and the `rsig` form for several antennas. No packets, no `rxpk` key;
 * `exact` says of nothing at all that it is no packet.
 */
export function encodePushData(datagram: Omit<PushData, "kind">, figures: Figures = "printf"): Uint8Array {
  const packets = datagram.packets.map((packet) => writeRadioPacket(packet, figures)).join(",");
  const saysNothing = figures === "exact" && datagram.status === null;
  const body = object([
    field("rxpk", datagram.packets.length === 0 && !saysNothing ? null : `[${packets}]`),
    field("stat", datagram.status === null ? null : writeStatus(datagram.status, figures)),
  ]);
  return writeHead(datagram, identifiers.pushData, datagram.gatewayEui, body);
}

/** PULL_DATA: 12 octets. */
export function encodePullData(datagram: Omit<PullData, "kind">): Uint8Array {
  return writeHead(datagram, identifiers.pullData, datagram.gatewayEui, "");
}

/** TX_ACK: no body when accepted, as the reference daemons do since v3.0.0. */
export function encodeTxAck(
  datagram: Omit<TxAck, "kind" | "outcome"> & {
    readonly outcome: SendableOutcome;
  },
): Uint8Array {
  return writeHead(datagram, identifiers.txAck, datagram.gatewayEui, writeOutcome(datagram.outcome));
}

function writeOutcome(outcome: SendableOutcome): string {
  if (outcome.result === "accepted") return "";
  const isRefused = outcome.result === "refused";
  const word = JSON.stringify(outcome.word ?? (isRefused ? "UNKNOWN" : "TX_POWER"));
  const ack = object([field(isRefused ? "error" : "warn", word), field("value", outcome.powerDbm)]);
  return `{"txpk_ack":${ack}}`;
}

/** PUSH_ACK: 4 octets. */
export function encodePushAck(datagram: Omit<PushAck, "kind">): Uint8Array {
  return writeHead(datagram, identifiers.pushAck, null, "");
}

/** PULL_ACK: 4 octets. */
export function encodePullAck(datagram: Omit<PullAck, "kind">): Uint8Array {
  return writeHead(datagram, identifiers.pullAck, null, "");
}

/** PULL_RESP. The reference gateway's buffer takes 999 octets: longer ones never reach its parser. */
export function encodePullResponse(
  datagram: Omit<PullResponse, "kind" | "transmission"> & {
    readonly transmission: NonNullable<PullResponse["transmission"]>;
  },
): Uint8Array {
  return writeHead(
    datagram,
    identifiers.pullResponse,
    null,
    `{"txpk":${writeTransmission(datagram.transmission)}}`,
  );
}
