/** The small rules that every figure passes through: rounding, groups, names of modulations, faults in words. */
import { describe, expect, it } from "vitest";
import { describeFault, internalFault, type WireFault } from "../../src/model/fault.ts";
import { groupBy } from "../../src/model/group-by.ts";
import { formatDevAddr, parseDevAddr } from "../../src/model/identifiers.ts";
import { describeModulation } from "../../src/model/modulation.ts";
import { fromTenths, rounded } from "../../src/model/rounding.ts";
import { isoTime, minuteOf, subtract, wholeHours } from "../../src/model/time-range.ts";

describe("figures of an answer", () => {
  it("are rounded to so many decimals, without a negative zero", () => {
    expect([rounded(1.25, 1), rounded(-1.24, 1), rounded(1_234.5, 0), rounded(null, 2)]).toEqual([
      1.3,
      -1.2,
      1_235,
      null,
    ]);
    expect(Object.is(rounded(-0.04, 1), 0)).toBe(true);
  });

  it("come out of tenths", () => {
    expect([fromTenths(-975), fromTenths(0), fromTenths(null)]).toEqual([-97.5, 0, null]);
  });
});

it("items by a key keep the order of keys and of items", () => {
  const groups = groupBy([3, 1, 4, 1, 5, 9], (value) => value % 2);
  expect([...groups]).toEqual([
    [1, [3, 1, 1, 5, 9]],
    [0, [4]],
  ]);
  expect([...groupBy([], String)]).toEqual([]);
});

it("a modulation has a short name", () => {
  const lora = (bandwidthHz: number) =>
    describeModulation({ kind: "lora", spreadingFactor: 9, bandwidthHz, codingRate: "4/5" });
  expect([125_000, 812_500, 7_812.5].map(lora)).toEqual(["SF9BW125", "SF9BW812.5", "SF9BW7.8"]);
  expect(describeModulation({ kind: "fsk", bitrateBps: 50_000 })).toBe("FSK 50 kb/s");
  expect(describeModulation({ kind: "lr-fhss", type: 0, operatingWidthHz: 136_719, codingRate: null })).toBe(
    "M0CW137",
  );
  expect(describeModulation({ kind: "unknown", text: "SF4" })).toBe("SF4");
  expect(describeModulation({ kind: "unknown", text: "" })).toBe("unknown");
});

describe("a device address", () => {
  it("is eight hexadecimal digits of its 32 bits", () => {
    expect([0, 1, 0x01a2b3c4, 0xffffffff, -1].map(formatDevAddr)).toEqual([
      ...["00000000", "00000001", "01A2B3C4", "FFFFFFFF", "FFFFFFFF"],
    ]);
  });

  it("is read back from just eight digits, capital or small", () => {
    expect(["01A2B3C4", "ffffffff", "00000000"].map(parseDevAddr)).toEqual([0x01a2b3c4, 0xffffffff, 0]);
    for (const text of ["01A2B3C", "01A2B3C45", "x01A2B3C4", "01A2B3C4x", "01A2B3CG", ""])
      expect(parseDevAddr(text), text).toBeNaN();
  });
});

describe("a fault in words", () => {
  const fault: WireFault = { reason: "short_eui", layer: "datagram", at: 4 };

  it("says where, and how much was needed and there", () => {
    expect(describeFault(fault)).toBe("datagram: at octet 4 (short_eui)");
    expect(describeFault({ ...fault, need: 12, have: 9 })).toBe(
      "datagram: 12 octets needed at octet 4, 9 there (short_eui)",
    );
    expect(describeFault({ ...fault, need: 12, detail: "nothing" })).toBe(
      "datagram: 12 octets needed at octet 4, 0 there: nothing (short_eui)",
    );
  });

  it("of an error of the program itself keeps 80 characters of its message", () => {
    expect(internalFault(new Error("x".repeat(100)))).toEqual({
      reason: "internal",
      layer: "datagram",
      at: 0,
      detail: "x".repeat(80),
    });
    expect(internalFault("thrown text").detail).toBe("unknown");
  });
});

describe("times", () => {
  it("have a minute counted from 1970, also before it, and one written form", () => {
    expect([0, 59_999_999, 60_000_000, -1].map(minuteOf)).toEqual([0, 0, 1, -1]);
    expect(isoTime(1_772_344_800_000_999)).toBe("2026-03-01T06:00:00.000Z");
  });

  it("of cells are whole hours from more than one hour on", () => {
    expect([1, 59, 60, 61, 120, 121].map(wholeHours)).toEqual([1, 59, 60, 120, 120, 180]);
  });

  it("that one cut takes from two ranges are taken from both", () => {
    const range = (fromUs: number, toUs: number) => ({ fromUs, toUs });
    expect(subtract([range(0, 10), range(12, 20), range(22, 30)], [range(5, 14), range(16, 24)])).toEqual([
      range(0, 5),
      range(14, 16),
      range(24, 30),
    ]);
    // Nothing empty is left where a cut begins or ends with a range.
    expect(subtract([range(0, 10)], [range(0, 4)])).toEqual([range(4, 10)]);
    expect(subtract([range(0, 10)], [range(6, 10)])).toEqual([range(0, 6)]);
    expect(subtract([range(0, 10)], [range(0, 10)])).toEqual([]);
    expect(subtract([range(0, 10)], [range(3, 5), range(5, 7)])).toEqual([range(0, 3), range(7, 10)]);
    expect(subtract([range(-20, -10), range(-8, 0)], [range(-15, -5)])).toEqual([
      range(-20, -15),
      range(-5, 0),
    ]);
  });
});
