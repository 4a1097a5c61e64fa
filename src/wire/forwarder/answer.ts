/**
 * Which four octets does a datagram deserve as its answer?
 * Source: PROTOCOL.TXT sections 3.3 (PUSH_ACK) and 5.3 (PULL_ACK): the sender's version byte and token with
 * the answering identifier. The body is not looked at: withholding the answer would only stall the gateway.
 */
import { identifiers, upstreamHeadOctets } from "./header.ts";

/**
 * PUSH_ACK for a PUSH_DATA, PULL_ACK for a PULL_DATA, in the version that was asked in; null when nothing
 * must be answered: any other datagram, an unknown version, a head that is cut.
 */
export function answerFor(datagramBytes: Uint8Array): Uint8Array | null {
  const [version, high, low, identifier] = datagramBytes;
  if (version === undefined || high === undefined || low === undefined) return null;
  if (datagramBytes.length < upstreamHeadOctets || (version !== 1 && version !== 2)) return null;
  if (identifier === identifiers.pushData) return Uint8Array.of(version, high, low, identifiers.pushAck);
  if (identifier === identifiers.pullData) return Uint8Array.of(version, high, low, identifiers.pullAck);
  return null;
}
