/**
 * Is the CMAC under every MIC the one of the standard?
 * Source: RFC 4493, section 4 (subkey and AES-CMAC test vectors); FIPS 197, appendix C.1 (AES-128 block).
 */
import { expect, test } from "vitest";
import { aesCmac, aesDecryptBlocks, aesEncryptBlocks } from "../../src/wire/lorawan/lorawan-keys.ts";
import { hexOf, octetsOfHex } from "../../src/wire/lorawan/octets.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;

const KEY = hex("2b7e151628aed2a6abf7158809cf4f3c");
const MESSAGE = hex(
  "6bc1bee22e409f96e93d7e117393172aae2d8a571e03ac9c9eb76fac45af8e5130c81c46a35ce411e5fbc1191a0a52eff69f2445df4f9b17ad2b417be66c3710",
);

test.each([
  ["example 1", 0, "bb1d6929e95937287fa37d129b756746"],
  ["example 2", 16, "070a16b46b4d4144f79bdd9dd04a287c"],
  ["example 3", 40, "dfa66747de9ae63030ca32611497c827"],
  ["example 4", 64, "51f0bebf7e3b9d92fc49741779363cfe"],
])("RFC 4493 section 4, %s: %i octets", (_name, length, expected) => {
  expect(hexOf(aesCmac(KEY, MESSAGE.subarray(0, length))).toLowerCase()).toBe(expected);
});

test("RFC 4493 section 4, subkey generation: AES-128 of the zero block", () => {
  expect(hexOf(aesEncryptBlocks(KEY, new Uint8Array(16))).toLowerCase()).toBe(
    "7df76b0c1ab899b33e42f047b91b546f",
  );
});

test("FIPS 197 appendix C.1: the block encrypts and decrypts", () => {
  const key = hex("000102030405060708090a0b0c0d0e0f");
  const clear = hex("00112233445566778899aabbccddeeff");
  const cipher = aesEncryptBlocks(key, clear);
  expect(hexOf(cipher).toLowerCase()).toBe("69c4e0d86a7b0430d8cdb78070b4c55a");
  expect(aesDecryptBlocks(key, cipher)).toEqual(clear);
});
