/**
 * What does a datagram from a server say? PUSH_ACK, PULL_ACK, or PULL_RESP with a packet to send. Only a
 * relay sees these; none of them names a gateway.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3, 5 and 6.
 * Never throws: every byte string gives a datagram with its oddities, or a named fault.
 */
import { internalFault, type Oddity, type WireFault } from "../../model/fault.ts";
import { isJsonObject, readBody } from "./body.ts";
import { decodeHead, downstreamHeadOctets, identifiers, shortHeadOctets } from "./header.ts";
import { OddityLog } from "./oddity-log.ts";
import { readTransmission, type Transmission } from "./txpk.ts";

export type { Transmission, TransmitMoment } from "./txpk.ts";

interface DownstreamHead {
  readonly version: 1 | 2;
  /** Octets 1 and 2, most significant first. In PULL_RESP of version 1 the field is unused. */
  readonly token: number;
}

export interface PushAck extends DownstreamHead {
  readonly kind: "push-ack";
}

export interface PullAck extends DownstreamHead {
  readonly kind: "pull-ack";
}

export interface PullResponse extends DownstreamHead {
  readonly kind: "pull-response";
  /** Null when the body could not be read. */
  readonly transmission: Transmission | null;
}

/** What a server may send to a gateway. */
export type DownstreamDatagram = PushAck | PullAck | PullResponse;

export type DownstreamDecoding =
  | { readonly ok: false; readonly fault: WireFault }
  | {
      readonly ok: true;
      readonly datagram: DownstreamDatagram;
      readonly oddities: readonly Oddity[];
    };

const fromServer: readonly number[] = [identifiers.pushAck, identifiers.pullAck, identifiers.pullResponse];

/**
 * Decodes one datagram that a server sent. Faults: `short`, `version`, `ident`, `direction`, and `internal` for an
 * error of this program.
 */
export function decodeDownstream(bytes: Uint8Array): DownstreamDecoding {
  try {
    return decode(bytes);
  } catch (error) {
    return { ok: false, fault: internalFault(error) };
  }
}

function decode(bytes: Uint8Array): DownstreamDecoding {
  const decoded = decodeHead(bytes, fromServer);
  if (!decoded.ok) return decoded;
  const log = new OddityLog();
  const { version, token, identifier } = decoded.head;
  let datagram: DownstreamDatagram;
  if (identifier === identifiers.pullResponse) {
    datagram = {
      kind: "pull-response",
      version,
      token,
      transmission: readResponse(bytes, log),
    };
  } else {
    if (bytes.length > shortHeadOctets)
      log.note("trailing", true, `${bytes.length - shortHeadOctets} octets`);
    datagram = {
      kind: identifier === identifiers.pushAck ? "push-ack" : "pull-ack",
      version,
      token,
    };
  }
  return { ok: true, datagram, oddities: log.entries };
}

/** The packet to send. Nothing is repaired here: the gateway's own parser would not repair it either. */
function readResponse(bytes: Uint8Array, log: OddityLog): Transmission | null {
  const body = readBody(bytes, downstreamHeadOctets, log, false);
  if (body === "empty") log.note("body_empty", true);
  if (body === "empty" || body === "broken") return null;
  // The reference daemon refuses an array of packets.
  if (isJsonObject(body.txpk)) return readTransmission(body.txpk, log);
  log.note("body_unknown", true, "no txpk object");
  return null;
}
