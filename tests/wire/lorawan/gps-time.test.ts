import { describe, expect, test } from "vitest";
import { leapSecondsAt, utcOfGps } from "../../../src/wire/lorawan/beacon.ts";

describe("GPS time", () => {
  test("began on 6 January 1980 without leap seconds", () => {
    expect(utcOfGps(0)).toBe("1980-01-06T00:00:00.000Z");
    expect(leapSecondsAt(0)).toBe(0);
  });
  test("was 17 s ahead in 2016", () => {
    expect(utcOfGps(1_139_322_288.5)).toBe("2016-02-12T14:24:31.500Z");
  });
  test("is 18 s ahead since 2017", () => {
    // 2017-01-01T00:00:00Z is GPS second 1167264018.
    expect(utcOfGps(1_167_264_018)).toBe("2017-01-01T00:00:00.000Z");
    expect(leapSecondsAt(1_167_264_018)).toBe(18);
    // The leap second itself, 23:59:60.
    expect(leapSecondsAt(1_167_264_017)).toBe(17);
  });
});
