import { describe, expect, test } from "vitest";
import { BEACON_LAYOUTS, crc16, decodeBeacon } from "../../../src/wire/lorawan/beacon.ts";
import { mapBeacon } from "../../../src/wire/lorawan/explain-payload.ts";
import { octetsOfHex } from "../../../src/wire/lorawan/octets.ts";
import { encodeBeacon } from "./encoders.ts";

const hex = (text: string): Uint8Array => octetsOfHex(text) as Uint8Array;

test("the printed beacon reads with both CRCs right", () => {
  // LoRaWAN 1.1, section 15.2, figure 61.
  expect(decodeBeacon(hex("00 00 000002CC A27E 00 012000 008103 DE55"))).toMatchObject({
    ok: true,
    value: {
      layout: "SF9",
      gpsSeconds: 0xcc020000,
      crc1: 0x7ea2,
      crc1Ok: true,
      infoDesc: 0,
      latitudeRaw: 0x2001,
      longitudeRaw: 0x38100,
      crc2: 0x55de,
      crc2Ok: true,
    },
  });
});

test("the CRC is the XMODEM one", () => {
  // Catalogue check value of CRC-16/XMODEM over the digits 1 to 9.
  expect(crc16(new TextEncoder().encode("123456789"))).toBe(0x31c3);
});

describe.each(BEACON_LAYOUTS)("a beacon of layout $name", (layout) => {
  const said = {
    prec: 2,
    gpsSeconds: 1_400_000_000,
    infoDesc: 1,
    latitudeRaw: -4_660_337,
    longitudeRaw: 93_206,
  };
  const bytes = encodeBeacon(layout, said);

  test("has its exact length and comes back as it was", () => {
    expect(bytes.length).toBe(layout.total);
    const decoded = decodeBeacon(bytes);
    expect(decoded).toMatchObject({
      ok: true,
      value: {
        layout: layout.name,
        gpsSeconds: 1_400_000_000,
        crc1Ok: true,
        crc2Ok: true,
        latitudeRaw: -4_660_337,
      },
    });
    if (!decoded.ok) return;
    expect(decoded.value.precisionSeconds).toBeCloseTo(1e-4, 9);
    expect(decoded.value.latitudeDeg).toBeCloseTo(-50, 4);
    expect(decoded.value.longitudeDeg).toBeCloseTo(2, 4);
  });

  test("has every octet in one span", () => {
    const decoded = decodeBeacon(bytes);
    const spans = decoded.ok ? mapBeacon(bytes, decoded.value) : [];
    let next = 0;
    for (const span of spans) {
      expect(span.at).toBe(next);
      next += span.size;
    }
    expect(next).toBe(bytes.length);
  });

  test("with one octet damaged says which CRC is wrong", () => {
    const damaged = bytes.slice();
    damaged[layout.rfu1 + 1] = (damaged[layout.rfu1 + 1] as number) ^ 0x40;
    expect(decodeBeacon(damaged)).toMatchObject({ ok: true, value: { crc1Ok: false } });
  });
});

test.each([
  [0, 45, -90],
  [2, 45, -90],
  [3, null, null],
  [255, null, null],
])("InfoDesc %i: latitude %s, longitude %s", (infoDesc, latitudeDeg, longitudeDeg) => {
  // LoRaWAN 1.1, section 15.3: 0 to 2 are the antennas. 2^22 * 90 / 2^23 = 45, -2^22 * 180 / 2^23 = -90.
  const raw = { latitudeRaw: 2 ** 22, longitudeRaw: -(2 ** 22) };
  const bytes = encodeBeacon(BEACON_LAYOUTS[0]!, { prec: 0, gpsSeconds: 1, infoDesc, ...raw });
  expect(decodeBeacon(bytes)).toMatchObject({
    ok: true,
    value: { infoDesc, ...raw, latitudeDeg, longitudeDeg },
  });
});

test("a packet of another length is no beacon", () => {
  expect(decodeBeacon(new Uint8Array(18))).toMatchObject({ ok: false, fault: { reason: "noBeaconLength" } });
});
