import { readdirSync, readFileSync } from "node:fs";
import fc from "fast-check";
import { describe, expect, test } from "vitest";
import {
  counted,
  dbm,
  decibel,
  duration,
  figure,
  fileSize,
  listed,
  megahertz,
  megahertzFigure,
  milliseconds,
  percent,
  percentInterval,
  plural,
  probability,
  roughDuration,
  signed,
  signedDb,
  signedWithUnit,
} from "../../src/words/format.ts";

const thin = "\u202F";
/** Thin spaces are written as plain ones here, so that the expectation can be read. */
const plain = (text: string) => text.replaceAll(thin, " ");

describe("figures", () => {
  test.each([
    [dbm(-97), "−97 dBm"],
    [dbm(-97.6), "−98 dBm"],
    [decibel(6.2), "6.2 dB"],
    [decibel(-0.04), "0.0 dB"],
    [signedDb(1.25), "+1.3 dB"],
    [signedDb(-3.1), "−3.1 dB"],
    [signedDb(0), "0.0 dB"],
    [signedWithUnit(3.2, 2, "ppm"), "+3.20 ppm"],
    [signed(2.94), "+2.9"],
    [signed(-0.04), "0.0"],
    [signed(1204, 0), "+1 204"],
    [figure(1000), "1 000"],
    [figure(1234567), "1 234 567"],
    [figure(-1234.5, 1), "−1 234.5"],
    [figure(999), "999"],
    [megahertz(868_100_000), "868.1 MHz"],
    [megahertz(867_312_500), "867.3125 MHz"],
    [megahertz(915_000_000), "915.0 MHz"],
    [megahertzFigure(868_000_000), "868.0"],
    [probability(0.4249), "0.42"],
    [probability(0.1), "0.10"],
    [probability(0.0994), "0.099"],
    [probability(0.001), "0.001"],
    [probability(0.00099), "< 0.001"],
    [probability(null), "–"],
    [plural(0, "node"), "0 nodes"],
    [plural(1204, "node"), "1 204 nodes"],
    [plural(2, "battery", "batteries"), "2 batteries"],
    [listed([]), ""],
    [listed(["a"]), "a"],
    [listed(["a", "b", "c"]), "a, b and c"],
    [counted(0, "node"), "no nodes"],
    [counted(1, "node"), "1 node"],
    [counted(3, "capture"), "3 captures"],
    [fileSize(812), "812 B"],
    [fileSize(1_234_000), "1.2 MB"],
    [fileSize(999_600), "1.0 MB"],
    [fileSize(99_960_000), "100 MB"],
  ])("%s is written as a reader expects", (written, expected) => {
    expect(plain(written)).toBe(expected);
  });

  test("the sign is a true minus and the space before a unit does not break", () => {
    expect(dbm(-97)).toBe("\u221297\u202FdBm");
  });

  test("where there is no figure there is a dash and no unit", () => {
    for (const none of [null, undefined, Number.NaN, Number.POSITIVE_INFINITY])
      expect([dbm(none), decibel(none), percent(none), duration(none), figure(none)]).toEqual(
        Array(5).fill("–"),
      );
  });

  test("grouping and sign lose nothing: any whole number can be read back", () => {
    fc.assert(
      fc.property(fc.maxSafeInteger(), (value) => {
        const back = Number(figure(value).replaceAll(thin, "").replace("\u2212", "-"));
        expect(back === value || (back === 0 && value === 0)).toBe(true);
      }),
    );
  });
});

describe("percentages", () => {
  test.each([
    [0.972, "97.2 %"],
    [0, "0 %"],
    [1, "100 %"],
    [0.9996, "> 99.9 %"],
    [0.0004, "< 0.1 %"],
    [0.024, "2.4 %"],
    [0.0005, "0.1 %"],
    [0.99949, "99.9 %"],
    [0.09996, "10.0 %"],
    [0.5, "50.0 %"],
  ])("%s", (ratio, expected) => {
    expect(plain(percent(ratio))).toBe(expected);
  });

  test("nothing but one itself is written as 100 %, and nothing but zero as 0 %", () => {
    fc.assert(
      fc.property(
        fc.double({ min: 1e-12, max: 1 - 1e-12, noNaN: true }),
        fc.integer({ min: 0, max: 3 }),
        (ratio, decimals) => {
          const value = plain(percent(ratio, decimals));
          expect(value).not.toMatch(/^100(\.0*)? %$/);
          expect(value).not.toMatch(/^0(\.0*)? %$/);
        },
      ),
    );
  });

  test("an interval names its unit once", () => {
    expect(plain(percentInterval([0.951, 0.986]))).toBe("95.1–98.6 %");
    expect(percentInterval(null)).toBe("–");
  });
});

describe("lengths of time", () => {
  test.each([
    [0, "0 s"],
    [0.0412, "41.2 ms"],
    [0.2888, "289 ms"],
    [2.5, "2.5 s"],
    [45, "45 s"],
    [600, "10 min"],
    [3600, "1 h"],
    [5400, "1 h 30 min"],
    [86_400, "1 d"],
    [187_200, "2 d 4 h"],
    [3601, "1 h"],
    [59.7, "1 min"],
    [0.9996, "1.0 s"],
    [9.96, "10 s"],
    [9, "9 s"],
    [90, "1 min 30 s"],
    [3599.6, "1 h"],
    [7199, "2 h"],
    [86_399, "1 d"],
    [12 * 86_400 + 7_300, "12 d 2 h"],
    [-90, "−1 min 30 s"],
  ])("%s s is %s", (seconds, expected) => {
    expect(plain(duration(seconds))).toBe(expected);
  });

  test.each([
    [0, "1 min"],
    [61, "2 min"],
    [59 * 60, "59 min"],
    [59 * 60 + 1, "1 h"],
    [3_601, "1 h 10 min"],
    [3.4 * 3_600, "3 h 30 min"],
    [9.9 * 3_600, "10 h"],
    [13 * 3_600 + 60, "14 h"],
    [23.5 * 3_600, "1 d"],
    [25 * 3_600, "1 d 4 h"],
    [239 * 3_600, "10 d"],
    [241 * 3_600, "11 d"],
  ])("%s s, only estimated, are some %s", (seconds, expected) => {
    expect(plain(roughDuration(seconds))).toBe(expected);
  });

  test("milliseconds follow the same rule", () => {
    expect([1.25, 12.3, 950, 1250, 61_000].map((ms) => plain(milliseconds(ms)))).toEqual([
      "1.3 ms",
      "12.3 ms",
      "950 ms",
      "1.3 s",
      "1 min 1 s",
    ]);
  });

  test("is off by one part in nineteen at most, and grows with time", () => {
    const units: Record<string, number> = { s: 1, min: 60, h: 3600, d: 86_400 };
    const read = (text: string) =>
      text.split(" ").reduce((sum, part) => {
        const [amount, unit = ""] = part.split(thin);
        return sum + Number(amount) * (units[unit] ?? Number.NaN);
      }, 0);
    fc.assert(
      fc.property(fc.integer({ min: 30, max: 400 * 86_400 }), (seconds) => {
        expect(Math.abs(read(duration(seconds)) - seconds)).toBeLessThanOrEqual(seconds / 19);
        expect(read(duration(seconds + 1))).toBeGreaterThanOrEqual(read(duration(seconds)));
      }),
    );
  });
});

test("no other module rounds figures for people", () => {
  const root = new URL("../../src/", import.meta.url);
  const rounding = readdirSync(root, { recursive: true, encoding: "utf8" })
    .map((file) => file.replaceAll("\\", "/"))
    .filter(
      (file) => /\.tsx?$/.test(file) && readFileSync(new URL(file, root), "utf8").includes(".toFixed("),
    );
  // The wire's own forms, degrees of a beacon, and coordinates of a drawing.
  expect(rounding.sort()).toEqual([
    "report/plots.tsx",
    "wire/forwarder/encode-packet.ts",
    "wire/lorawan/explain-payload.ts",
    "words/format.ts",
  ]);
});
