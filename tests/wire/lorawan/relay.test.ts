import { expect, test } from "vitest";
import { decodeForwardedUplink, recogniseWor } from "../../../src/wire/lorawan/explain-data-frame.ts";
import { octetsOfHex } from "../../../src/wire/lorawan/octets.ts";
import { decodePhyPayload } from "../../../src/wire/lorawan/phy-payload.ts";
import { encodeForwardedUplink } from "./encoders.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;

test("a wake-on-radio frame is known by its header and exact length", () => {
  expect(recogniseWor(hex("00 03 D2AD84"))).toEqual({
    kind: "wor-join",
    dataRate: 3,
    frequencyHz: 869_525_000,
  });
  expect(recogniseWor(hex("01 C4B3A201 11223344 0700 55667788"))).toEqual({
    kind: "wor-uplink",
    devAddr: "01A2B3C4",
    wFCnt: 7,
  });
  expect(recogniseWor(hex("11223344556677"))).toEqual({ kind: "wor-ack" });
  expect(recogniseWor(hex("0003D2AD"))).toBeNull();
});

test("a wake-on-radio frame never reads as a LoRaWAN message", () => {
  for (const text of ["0003D2AD84", "01C4B3A20111223344070055667788"]) {
    expect(decodePhyPayload(hex(text)).ok).toBe(false);
  }
});

test("a forwarded uplink carries the device's level and its packet", () => {
  // Worked by hand: channel 1, RSSI -93 dBm (78), SNR 7 dB (27), DR 3: 0b01_1001110_11011_0011.
  const clear = hex("B39D01 28 76 84 40F17DBE49");
  const decoded = decodeForwardedUplink(clear);
  expect(decoded).toMatchObject({
    ok: true,
    value: {
      worChannel: 1,
      rssiDbm: -93,
      snrDb: 7,
      dataRate: 3,
      frequencyHz: 868_100_000,
    },
  });
  expect(decoded.ok && encodeForwardedUplink(decoded.value)).toEqual(clear);
});

test("a forwarded uplink that is cut is a fault", () => {
  expect(decodeForwardedUplink(hex("B39D0128 7684"))).toMatchObject({
    ok: false,
    fault: { reason: "tooShort", need: 7 },
  });
});
