/**
 * Which keys and outside facts can help to read a PHYPayload? All optional: what is missing stays encrypted or unchecked.
 * Source: LoRaWAN 1.1, section 6.1; LoRaWAN 1.0.2, section 6.1.
 */

import { createCipheriv, createDecipheriv } from "node:crypto";
import { cmac } from "@noble/ciphers/aes.js";
import type { Eui } from "../../model/identifiers.ts";

/** The names under which keys are handed in, as a key file spells them. */
export const KEY_NAMES = [
  "nwkSKey",
  "appSKey",
  "fNwkSIntKey",
  "sNwkSIntKey",
  "nwkSEncKey",
  "appKey",
  "nwkKey",
  "jsIntKey",
  "jsEncKey",
] as const;
export type KeyName = (typeof KEY_NAMES)[number];

/** Keys of 16 octets. */
export type LorawanKeys = { readonly [name in KeyName]?: Uint8Array };

/** What a frame does not carry, but its MIC or its key stream depends on. */
export interface FrameFacts {
  /** Upper 16 bits of the frame counter, 0 to 65535; tried from 0 on when absent. */
  readonly fCntHigh?: number;
  /** 1.1 with ACK set: counter of the frame acknowledged, 0 to 65535. */
  readonly confFCnt?: number;
  /** 1.1 uplink: data rate index, 0 to 15; tried when absent. */
  readonly txDr?: number;
  /** 1.1 uplink: the device's channel index, 0 to 95; tried when absent. */
  readonly txCh?: number;
  /** Join-accept with OptNeg: DevNonce of the join, or RJcount of the rejoin, that it answers. */
  readonly devNonce?: number;
  readonly joinEui?: Eui;
  readonly devEui?: Eui;
  /** Join-accept: 255 answers a join-request, 0 to 2 a rejoin-request of that type; all tried when absent. */
  readonly joinReqType?: 0xff | 0 | 1 | 2;
}

// Which AES operations does LoRaWAN use? Single blocks (ECB) in both senses, and CMAC.
// Sources: FIPS 197; RFC 4493 (AES-CMAC); LoRaWAN 1.1, sections 4.3.3 and 4.4.
// Blocks come from node:crypto, CMAC from an audited library. Keys have 16 octets; the reader of a key file checks that.

/** Octets of an AES-128 key. */
export const KEY_SIZE = 16;
const BLOCK_SIZE = 16;

/** AES-128 encryption of whole blocks; octets beyond the last whole block are left out. */
export function aesEncryptBlocks(key: Uint8Array, blocks: Uint8Array): Uint8Array {
  const cipher = createCipheriv("aes-128-ecb", key, null).setAutoPadding(false);
  return new Uint8Array(cipher.update(wholeBlocks(blocks)));
}

/** AES-128 decryption of whole blocks; octets beyond the last whole block are left out. */
export function aesDecryptBlocks(key: Uint8Array, blocks: Uint8Array): Uint8Array {
  const decipher = createDecipheriv("aes-128-ecb", key, null).setAutoPadding(false);
  return new Uint8Array(decipher.update(wholeBlocks(blocks)));
}

/** The first four octets of AES-CMAC: a LoRaWAN MIC. */
export function mic(key: Uint8Array, message: Uint8Array): Uint8Array {
  return aesCmac(key, message).subarray(0, 4);
}

/** AES-CMAC, 16 octets. RFC 4493. */
export function aesCmac(key: Uint8Array, message: Uint8Array): Uint8Array {
  return cmac(message, key);
}

/** The octets of `data` combined by exclusive or with as many octets of `keystream`. */
export function xorOctets(data: Uint8Array, keystream: Uint8Array): Uint8Array {
  return data.map((value, index) => value ^ (keystream[index] ?? 0));
}

function wholeBlocks(bytes: Uint8Array): Uint8Array {
  return bytes.subarray(0, bytes.length - (bytes.length % BLOCK_SIZE));
}
