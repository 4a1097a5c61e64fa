import { describe, expect, test } from "vitest";
import {
  cryptFOpts,
  cryptFrmPayload,
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

describe("the key stream of a frame of 01A2B3C4 with counter 0x00050607", () => {
  const zeros = new Uint8Array(16);
  const frame = (direction: "up" | "down") => ({ direction, devAddr: "01A2B3C4", fCnt32: 0x0005_0607 });
  const fOpts = (direction: "up" | "down", fPort: number | null, form?: "errata" | "original") =>
    hexOf(cryptFOpts(nwkKey, zeros, frame(direction), fPort, form));

  test("for FOpts tells by octet 4 which counter is meant, and ends in 1", () => {
    // Errata on LoRaWAN 1.1, FOpts encryption: 2 for AFCntDown, else 1.
    const one = (kind: string, direction: string) =>
      made(nwkKey, `01 000000 ${kind} ${direction} C4B3A201 07060500 00 01`);
    expect(fOpts("up", null)).toBe(one("01", "00"));
    expect(fOpts("up", 5, "errata")).toBe(one("01", "00"));
    expect(fOpts("down", null)).toBe(one("01", "01"));
    expect(fOpts("down", 0)).toBe(one("01", "01"));
    expect(fOpts("down", 1)).toBe(one("02", "01"));
  });

  test("for FOpts as first printed has 0 in both places, whatever the port", () => {
    // LoRaWAN 1.1, section 4.3.1.6, figure 15.
    expect(fOpts("up", 5, "original")).toBe(made(nwkKey, "01 000000 00 00 C4B3A201 07060500 00 00"));
    expect(fOpts("down", 5, "original")).toBe(made(nwkKey, "01 000000 00 01 C4B3A201 07060500 00 00"));
  });

  test("for FRMPayload counts its blocks from 1", () => {
    // LoRaWAN 1.1, section 4.3.3. 17 octets: one whole block and the first octet of the next.
    const block = (index: string) => made(appKey, `01 000000 00 00 C4B3A201 07060500 00 ${index}`);
    expect(hexOf(cryptFrmPayload(appKey, new Uint8Array(17), frame("up")))).toBe(
      block("01") + block("02").slice(0, 2),
    );
    expect(hexOf(cryptFrmPayload(appKey, new Uint8Array(0), frame("up")))).toBe("");
  });
});
