import { describe, expect, test } from "vitest";
import { readPacketText } from "../../../src/wire/lorawan/decode-answer.ts";
import { hexOf } from "../../../src/wire/lorawan/octets.ts";

describe("a packet as text", () => {
  test.each([
    ["plain hex", "40f17DBE", "40F17DBE"],
    ["hex with 0x", "0x40F17DBE", "40F17DBE"],
    ["hex with separators", "40:F1-7D be", "40F17DBE"],
    ["base64 with padding", "QPF9vkkAAgABlUN4disR/w0=", "40F17DBE4900020001954378762B11FF0D"],
    ["base64 without padding", "QPF9vkkAAgABlUN4disR/w0", "40F17DBE4900020001954378762B11FF0D"],
    ["base64 for addresses of pages", "QPF9vkkAAgABlUN4disR_w0", "40F17DBE4900020001954378762B11FF0D"],
    ["hex goes before base64", "ABCD1234", "ABCD1234"],
    ["nothing", "", ""],
  ])("%s", (_what, text, expected) => {
    const bytes = readPacketText(text);
    expect(bytes === null ? null : hexOf(bytes)).toBe(expected);
  });

  test.each([
    ["an odd number of hex digits", "40F17DB"],
    ["a word", "not a packet"],
    ["base64 cut by a character", "QPF9v"],
    ["base64 with bits left over", "QPF9vkkAAgABlUN4disR/w1="],
    ["both base64 alphabets at once", "AA+_"],
    ["padding that does not fit", "QPF9=="],
  ])("%s is not one", (_what, text) => {
    expect(readPacketText(text)).toBeNull();
  });
});
