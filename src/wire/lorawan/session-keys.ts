/**
 * Which session keys follow from a join? Derivation for 1.0, for 1.1 with OptNeg 0 and 1, and the join server's keys.
 * Source: LoRaWAN 1.1, sections 6.1.1.4 and 6.2.3; LoRaWAN 1.0.2, section 6.2.5.
 * Every key is AES(root, type | fields | zeros up to 16 octets).
 */
import type { Eui } from "../../model/identifiers.ts";
import { aesEncryptBlocks } from "./aes.ts";
import { putIdentifier, putLittleEndian } from "./octets.ts";

/** What a join exchange contributes. Hex texts are as displayed, most significant octet first. */
export interface JoinExchange {
  /** JoinNonce (AppNonce before 1.1), 6 hex digits. */
  readonly joinNonce: string;
  /** DevNonce, or RJcount when a rejoin is answered. */
  readonly devNonce: number;
}

export interface SessionKeys10 {
  readonly nwkSKey: Uint8Array;
  readonly appSKey: Uint8Array;
}

export interface SessionKeys11 {
  readonly fNwkSIntKey: Uint8Array;
  readonly sNwkSIntKey: Uint8Array;
  readonly nwkSEncKey: Uint8Array;
  readonly appSKey: Uint8Array;
}

export interface JoinServerKeys {
  readonly jsEncKey: Uint8Array;
  readonly jsIntKey: Uint8Array;
}

/** Session keys of 1.0.x. NetID: 6 hex digits. */
export function deriveSessionKeys10(
  appKey: Uint8Array,
  join: JoinExchange & { readonly netId: string },
): SessionKeys10 {
  return {
    nwkSKey: derive(appKey, 0x01, join.joinNonce, join.netId, join.devNonce),
    appSKey: derive(appKey, 0x02, join.joinNonce, join.netId, join.devNonce),
  };
}

/**
 * A 1.1 device that the network answered with OptNeg 0: one network key in three roles, and AppSKey too comes from
 * NwkKey with the NetID, not from AppKey (LoRaWAN 1.1, section 6.2.3).
 */
export function deriveSessionKeys11OptNeg0(
  nwkKey: Uint8Array,
  join: JoinExchange & { readonly netId: string },
): SessionKeys11 {
  const { nwkSKey, appSKey } = deriveSessionKeys10(nwkKey, join);
  return { fNwkSIntKey: nwkSKey, sNwkSIntKey: nwkSKey, nwkSEncKey: nwkSKey, appSKey };
}

/** Session keys of 1.1 with OptNeg 1: network keys from NwkKey, AppSKey from AppKey. */
export function deriveSessionKeys11(
  roots: { readonly nwkKey: Uint8Array; readonly appKey: Uint8Array },
  join: JoinExchange & { readonly joinEui: Eui },
): SessionKeys11 {
  const from = (root: Uint8Array, type: number) =>
    derive(root, type, join.joinNonce, join.joinEui, join.devNonce);
  return {
    fNwkSIntKey: from(roots.nwkKey, 0x01),
    sNwkSIntKey: from(roots.nwkKey, 0x03),
    nwkSEncKey: from(roots.nwkKey, 0x04),
    appSKey: from(roots.appKey, 0x02),
  };
}

/** The lifetime keys that protect rejoins and their answers. LoRaWAN 1.1, section 6.1.1.3. */
export function deriveJoinServerKeys(nwkKey: Uint8Array, devEui: Eui): JoinServerKeys {
  const from = (type: number) => {
    const block = new Uint8Array(16);
    block[0] = type;
    putIdentifier(block, 1, 8, devEui);
    return aesEncryptBlocks(nwkKey, block);
  };
  return { jsEncKey: from(0x05), jsIntKey: from(0x06) };
}

function derive(
  root: Uint8Array,
  type: number,
  joinNonce: string,
  netIdOrJoinEui: string,
  devNonce: number,
): Uint8Array {
  const block = new Uint8Array(16);
  const size = netIdOrJoinEui.length / 2;
  block[0] = type;
  putIdentifier(block, 1, 3, joinNonce);
  putIdentifier(block, 4, size, netIdOrJoinEui);
  putLittleEndian(block, 4 + size, 2, devNonce);
  return aesEncryptBlocks(root, block);
}
