/**
 * What do the first octets of a datagram say? Version, token, identifier and, from gateways, the EUI.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3 (upstream) and
 * 5 (downstream).
 *
 *     0        1        2        3            4 … 11            12 …
 *     version  token    token    identifier   gateway EUI       JSON (upstream)
 *     version  token    token    identifier   JSON (PULL_RESP)
 */
import type { WireFault } from "../../model/fault.ts";
import type { Eui } from "../../model/identifiers.ts";

/** Octets before the EUI: all that an acknowledgement has. */
export const shortHeadOctets = 4;
/** Octets before the JSON of a datagram from a gateway. */
export const upstreamHeadOctets = 12;
/** Octets before the JSON of a PULL_RESP. */
export const downstreamHeadOctets = 4;

// PROTOCOL.TXT sections 3 and 5: identifiers are not in the order of request and answer.
export const identifiers = {
  pushData: 0x00,
  pushAck: 0x01,
  pullData: 0x02,
  pullResponse: 0x03,
  pullAck: 0x04,
  txAck: 0x05,
} as const;

const identifierNames = ["PUSH_DATA", "PUSH_ACK", "PULL_DATA", "PULL_RESP", "PULL_ACK", "TX_ACK"] as const;

const hexOctets: readonly string[] = Array.from({ length: 256 }, (_, octet) =>
  octet.toString(16).toUpperCase().padStart(2, "0"),
);

export interface DatagramHead {
  readonly version: 1 | 2;
  readonly token: number;
  readonly identifier: number;
}

/** The EUI at octets 4 to 11, whatever the rest says; null when the datagram is shorter. */
export function gatewayEuiOf(bytes: Uint8Array): Eui | null {
  if (bytes.length < upstreamHeadOctets) return null;
  let eui = "";
  for (let at = 4; at < upstreamHeadOctets; at++) eui += hexOctets[bytes[at] ?? 0];
  return eui;
}

/** The eight octets of an EUI, most significant first. Characters that are no hex digits count as 0. */
export function euiOctets(eui: Eui): Uint8Array {
  const octets = new Uint8Array(8);
  for (let at = 0; at < 8; at++) octets[at] = Number.parseInt(eui.slice(at * 2, at * 2 + 2), 16);
  return octets;
}

/**
 * Version, token and identifier, tested in the order length, version, identifier, direction.
 * `accepted` lists the identifiers that may travel in this direction.
 * Faults: `short`, `version`, `ident`, `direction`.
 */
export function decodeHead(
  bytes: Uint8Array,
  accepted: readonly number[],
): { ok: true; head: DatagramHead } | { ok: false; fault: WireFault } {
  const [version, high, low, identifier] = bytes;
  if (version === undefined || high === undefined || low === undefined || identifier === undefined) {
    return refuse({
      reason: "short",
      layer: "datagram",
      at: 0,
      need: shortHeadOctets,
      have: bytes.length,
    });
  }
  // Two values have ever been on the wire: 1 up to revision 1.2, 2 from revision 1.3 on.
  if (version !== 1 && version !== 2) {
    return refuse({
      reason: "version",
      layer: "datagram",
      at: 0,
      detail: `version ${version}`,
    });
  }
  const name = identifierNames[identifier];
  if (name === undefined) {
    return refuse({
      reason: "ident",
      layer: "datagram",
      at: 3,
      detail: `identifier ${identifier}`,
    });
  }
  if (!accepted.includes(identifier)) {
    return refuse({
      reason: "direction",
      layer: "datagram",
      at: 3,
      detail: name,
    });
  }
  return { ok: true, head: { version, token: high * 256 + low, identifier } };
}

function refuse(fault: WireFault): { ok: false; fault: WireFault } {
  return { ok: false, fault };
}

/** A whole datagram: head, EUI where the sender is a gateway, body as UTF-8. */
export function writeHead(
  head: { readonly version: 1 | 2; readonly token: number },
  identifier: number,
  gatewayEui: Eui | null,
  body: string,
): Uint8Array {
  const bodyAt = gatewayEui === null ? shortHeadOctets : upstreamHeadOctets;
  const bytes = Buffer.allocUnsafe(bodyAt + Buffer.byteLength(body));
  bytes[0] = head.version;
  bytes[1] = (head.token >>> 8) & 0xff;
  bytes[2] = head.token & 0xff;
  bytes[3] = identifier;
  // As euiOctets: a digit that is none counts as 0.
  if (gatewayEui !== null && bytes.write(gatewayEui, 4, 8, "hex") < 8) bytes.set(euiOctets(gatewayEui), 4);
  bytes.write(body, bodyAt);
  return bytes;
}

// Which four octets does a datagram deserve as its answer?
// Source: PROTOCOL.TXT sections 3.3 (PUSH_ACK) and 5.3 (PULL_ACK): the sender's version byte and token with
// the answering identifier. The body is not looked at: withholding the answer would only stall the gateway.

/**
 * PUSH_ACK for a PUSH_DATA, PULL_ACK for a PULL_DATA, in the version that was asked in; null when nothing
 * must be answered: any other datagram, an unknown version, a head that is cut.
 */
export function answerFor(datagramBytes: Uint8Array): Uint8Array | null {
  const [version = 0, high = 0, low = 0, identifier] = datagramBytes;
  if (datagramBytes.length < upstreamHeadOctets || (version !== 1 && version !== 2)) return null;
  if (identifier === identifiers.pushData) return Uint8Array.of(version, high, low, identifiers.pushAck);
  if (identifier === identifiers.pullData) return Uint8Array.of(version, high, low, identifiers.pullAck);
  return null;
}
