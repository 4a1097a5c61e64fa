/**
 * Which AES operations does LoRaWAN use? Single blocks (ECB) in both senses, and CMAC.
 * Sources: FIPS 197; RFC 4493 (AES-CMAC); LoRaWAN 1.1, sections 4.3.3 and 4.4.
 * Blocks come from node:crypto, CMAC from an audited library. Keys have 16 octets; the reader of a key file checks that.
 */
import { createCipheriv, createDecipheriv } from "node:crypto";
import { cmac } from "@noble/ciphers/aes.js";

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
