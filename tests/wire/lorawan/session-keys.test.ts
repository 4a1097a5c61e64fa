import { describe, expect, test } from "vitest";
import {
  deriveJoinServerKeys,
  deriveSessionKeys10,
  deriveSessionKeys11,
  deriveSessionKeys11OptNeg0,
} from "../../../src/wire/lorawan/frame-mic.ts";
import { aesEncryptBlocks } from "../../../src/wire/lorawan/lorawan-keys.ts";
import { hexOf, octetsOfHex } from "../../../src/wire/lorawan/octets.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;
const [nwkKey, appKey] = [hex("07".repeat(16)), hex("08".repeat(16))];
const join = { joinNonce: "0A0B0C", netId: "000001", joinEui: "02005E1000000201", devNonce: 0x1234 };

/** LoRaWAN 1.1, section 6.2.3, written out: the block that a key is made from. */
const made = (root: Uint8Array, block: string): string =>
  hexOf(aesEncryptBlocks(root, hex(block.replaceAll(" ", "").padEnd(32, "0"))));

describe("session keys", () => {
  test("of 1.0 come from JoinNonce, NetID and DevNonce", () => {
    const keys = deriveSessionKeys10(appKey, join);
    expect(hexOf(keys.nwkSKey)).toBe(made(appKey, "01 0C0B0A 010000 3412"));
    expect(hexOf(keys.appSKey)).toBe(made(appKey, "02 0C0B0A 010000 3412"));
  });

  test("of 1.1 come from JoinNonce, JoinEUI and DevNonce, AppSKey alone from AppKey", () => {
    const keys = deriveSessionKeys11({ nwkKey, appKey }, join);
    const fields = "0C0B0A 0102000010 5E0002 3412";
    expect(hexOf(keys.fNwkSIntKey)).toBe(made(nwkKey, `01 ${fields}`));
    expect(hexOf(keys.sNwkSIntKey)).toBe(made(nwkKey, `03 ${fields}`));
    expect(hexOf(keys.nwkSEncKey)).toBe(made(nwkKey, `04 ${fields}`));
    expect(hexOf(keys.appSKey)).toBe(made(appKey, `02 ${fields}`));
  });

  test("of a 1.1 device on a 1.0 network are one network key, and AppSKey comes from NwkKey", () => {
    const keys = deriveSessionKeys11OptNeg0(nwkKey, join);
    const network = made(nwkKey, "01 0C0B0A 010000 3412");
    expect([keys.fNwkSIntKey, keys.sNwkSIntKey, keys.nwkSEncKey].map(hexOf)).toEqual([
      network,
      network,
      network,
    ]);
    expect(hexOf(keys.appSKey)).toBe(made(nwkKey, "02 0C0B0A 010000 3412"));
  });
});

test("the join server's keys come from NwkKey and DevEUI", () => {
  const keys = deriveJoinServerKeys(nwkKey, "02005E1000000101");
  expect(hexOf(keys.jsEncKey)).toBe(made(nwkKey, "05 0101000010 5E0002"));
  expect(hexOf(keys.jsIntKey)).toBe(made(nwkKey, "06 0101000010 5E0002"));
});
