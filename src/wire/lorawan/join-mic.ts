/**
 * Is a join-request or rejoin-request genuine? Both are sent in clear, protected by their MIC alone.
 * Source: LoRaWAN 1.1, section 6.2.2 (join) and 6.2.4 (rejoin); LoRaWAN 1.0.2, section 6.2.4.
 */
import { mic } from "./aes.ts";
import { splitMic } from "./frame-mic.ts";
import { sameOctets } from "./octets.ts";

/** MIC over MHDR and all fields. Join: AppKey (1.0) or NwkKey (1.1). Rejoin 0 and 2: SNwkSIntKey; rejoin 1: JSIntKey. */
export function joinMic(key: Uint8Array, message: Uint8Array): Uint8Array {
  return mic(key, message);
}

/** Whether a join- or rejoin-request carries the MIC that this key gives. */
export function verifyJoinMic(key: Uint8Array, phyPayload: Uint8Array): boolean {
  const { message, mic: sent } = splitMic(phyPayload);
  return sameOctets(joinMic(key, message), sent);
}
