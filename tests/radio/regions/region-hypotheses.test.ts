/**
 * The weights of single hypotheses worked by hand from the factors that plan-choice.ts describes: a channel counts a
 * third a frame up to three, a silent one costs the chance that all frames missed it. Frequencies and data rates:
 * LoRaWAN Regional Parameters as reference/regions.json carries them.
 */
import { describe, expect, it } from "vitest";
import type { HeardChannel } from "../../../src/radio/regions/fixed-hypotheses.ts";
import { regionHypotheses } from "../../../src/radio/regions/plan-choice.ts";

const ln = Math.log;

function heard(mhz: number, count: number, spreadingFactor = 9, bandwidthHz = 125_000): HeardChannel {
  return {
    frequencyHz: Math.round(mhz * 1e6),
    modulation: { kind: "lora", spreadingFactor, bandwidthHz, codingRate: "4/5" },
    count,
  };
}

const of = (evidence: readonly HeardChannel[], name: string) =>
  regionHypotheses(evidence).filter(({ plan }) => plan?.name === name);

/** Weight of the region's only hypothesis. */
const weight = (evidence: readonly HeardChannel[], name: string) => of(evidence, name)[0]?.log ?? Number.NaN;

const defaults = [heard(868.1, 20), heard(868.3, 20), heard(868.5, 20)];

describe("a plan that the network extends (EU868, 863 to 870 MHz: 70 places of 100 kHz)", () => {
  it("pays nothing for its default channels", () => {
    expect(weight(defaults, "EU868")).toBe(0);
    expect(of(defaults, "EU868")[0]).toMatchObject({ variant: null, subBand: null });
  });

  it("pays for a silent default channel 15/16 a frame, at most a fiftieth", () => {
    expect(weight([heard(868.1, 4), heard(868.3, 6)], "EU868")).toBeCloseTo(10 * ln(15 / 16), 9);
    expect(weight([heard(868.1, 40), heard(868.3, 60)], "EU868")).toBeCloseTo(ln(0.02), 9);
    expect(weight([heard(868.1, 200)], "EU868")).toBeCloseTo(2 * ln(0.02), 9);
  });

  it("pays two thirds for a channel on the 200 kHz raster of others, whether from the defaults or beside another", () => {
    expect(weight([...defaults, heard(867.9, 3)], "EU868")).toBeCloseTo(ln(2 / 3), 9);
    expect(weight([...defaults, heard(868.7, 3), heard(868.9, 3)], "EU868")).toBeCloseTo(2 * ln(2 / 3), 9);
    // Far from the defaults: the upper of two neighbours is on a raster, the lower one is a place among 70.
    expect(weight([...defaults, heard(864.1, 3), heard(864.3, 3)], "EU868")).toBeCloseTo(
      ln(2 / 3) - ln(70),
      9,
    );
  });

  it("pays one place of 70 for a channel elsewhere, a tenth more off the 100 kHz raster, a third of it for one frame", () => {
    expect(weight([...defaults, heard(866.1, 3)], "EU868")).toBeCloseTo(-ln(70), 9);
    expect(weight([...defaults, heard(866.1, 1)], "EU868")).toBeCloseTo(-ln(70) / 3, 9);
    expect(weight([...defaults, heard(866.1, 2)], "EU868")).toBeCloseTo((-2 * ln(70)) / 3, 9);
    expect(weight([...defaults, heard(866.15, 9)], "EU868")).toBeCloseTo(-ln(70) + ln(0.1), 9);
    // 1.5 kHz off is rounding, 2 kHz is another raster.
    expect(weight([...defaults, heard(866.1015, 9)], "EU868")).toBeCloseTo(-ln(70), 9);
    expect(weight([...defaults, heard(866.102, 9)], "EU868")).toBeCloseTo(-ln(70) + ln(0.1), 9);
  });

  it("pays nearly everything outside its band, whose ends belong to it", () => {
    expect(weight([...defaults, heard(862.9, 3)], "EU868")).toBeCloseTo(ln(1e-4), 9);
    expect(weight([...defaults, heard(870.1, 1)], "EU868")).toBeCloseTo(ln(1e-4) / 3, 9);
    expect(weight([...defaults, heard(863, 3)], "EU868")).toBeCloseTo(-ln(70), 9);
    expect(weight([...defaults, heard(870, 3)], "EU868")).toBeCloseTo(-ln(70), 9);
  });

  it("pays a tenth for each channel beyond sixteen", () => {
    const raster = (count: number) => Array.from({ length: count }, (_, i) => heard(868.7 + 0.2 * i, 3));
    // 868.7 to 869.9 are seven, 867.9 down to 866.5 eight more: with the defaults 18.
    const below = Array.from({ length: 8 }, (_, i) => heard(867.9 - 0.2 * i, 3));
    expect(weight([...defaults, ...raster(6), ...below.slice(0, 7)], "EU868")).toBeCloseTo(13 * ln(2 / 3), 9);
    expect(weight([...defaults, ...raster(7), ...below], "EU868")).toBeCloseTo(
      15 * ln(2 / 3) + 2 * ln(0.1),
      9,
    );
  });

  it("pays a thousandth for a data rate that it does not have, a third of it for one frame", () => {
    expect(weight([...defaults, heard(868.1, 3, 9, 62_500)], "EU868")).toBeCloseTo(ln(1e-3), 9);
    expect(weight([...defaults, heard(868.1, 1, 9, 62_500)], "EU868")).toBeCloseTo(ln(1e-3) / 3, 9);
    // Counts of one data rate add up over its channels, two data rates pay twice.
    expect(
      weight([...defaults, heard(868.1, 1, 9, 62_500), heard(868.3, 1, 9, 62_500)], "EU868"),
    ).toBeCloseTo((2 * ln(1e-3)) / 3, 9);
    expect(
      weight([...defaults, heard(868.1, 3, 9, 62_500), heard(868.3, 3, 8, 62_500)], "EU868"),
    ).toBeCloseTo(2 * ln(1e-3), 9);
  });
});

describe("a fixed plan (US915: 64 channels of 125 kHz, 8 of 500 kHz, in 8 sub-bands)", () => {
  const second = Array.from({ length: 8 }, (_, i) => heard(903.9 + 0.2 * i, 3));
  const rows = of(second, "US915");
  const sub = (subBand: number) => rows.find((row) => row.subBand === subBand)?.log;
  const [whole, ...sets] = rows;
  const pairs = sets.filter(({ subBand }) => subBand === null);

  it("is one of eight sub-bands (80 %), of seven pairs (10 %), or whole (10 %)", () => {
    expect(rows.map(({ subBand }) => subBand)).toEqual([
      null,
      1,
      2,
      3,
      4,
      5,
      6,
      7,
      8,
      ...Array(7).fill(null),
    ]);
    expect(sub(2)).toBeCloseTo(ln(0.8 / 8), 9);
    expect(rows.every(({ block }) => block === null || block === undefined)).toBe(true);
  });

  it("pays a fiftieth for each channel of another sub-band, and for each of its own that is silent 7/8 a frame, at most 0.3", () => {
    // 24 frames: (7/8)^24 = 0.04.
    expect(sub(1)).toBeCloseTo(ln(0.1) + 8 * ln(0.02) + 8 * ln(0.3), 9);
    const few = of([heard(903.9, 2)], "US915");
    // Weight 2/3; seven silent ones of the second, all eight of the first.
    expect(few.find(({ subBand }) => subBand === 2)?.log).toBeCloseTo(ln(0.1) + 7 * 2 * ln(7 / 8), 9);
    expect(few.find(({ subBand }) => subBand === 1)?.log).toBeCloseTo(
      ln(0.1) + (2 / 3) * ln(0.02) + 8 * 2 * ln(7 / 8),
      9,
    );
  });

  it("as a pair has sixteen channels, each silent one at 15/16 a frame", () => {
    // The first pair holds sub-bands 1 and 2: 24 frames missed eight of its channels, 0.2125 each, so 0.3.
    expect(pairs[0]?.log).toBeCloseTo(ln(0.1 / 7) + 8 * ln(0.3), 9);
    expect(pairs[2]?.log).toBeCloseTo(ln(0.1 / 7) + 8 * ln(0.02) + 16 * ln(0.3), 9);
  });

  it("as a whole pays for just these eight of 64: −64 H(1/8)", () => {
    const entropy = -(1 / 8) * ln(1 / 8) - (7 / 8) * ln(7 / 8);
    expect(whole?.log).toBeCloseTo(ln(0.1) - 64 * entropy, 9);
    // One frame on a channel of 500 kHz (DR4 is SF8) counts a third of one of eight: −8 H(1/24).
    const wide = of([...second, heard(904.6, 1, 8, 500_000)], "US915");
    const ofWide = -(1 / 24) * ln(1 / 24) - (23 / 24) * ln(23 / 24);
    expect(wide[0]?.log).toBeCloseTo(ln(0.1) - 64 * entropy - 8 * ofWide, 9);
    // 904.6 MHz is of sub-band 2, so it costs the first a third of a fiftieth.
    expect(wide.find(({ subBand }) => subBand === 2)?.log).toBeCloseTo(ln(0.1), 9);
    expect((wide.find(({ subBand }) => subBand === 1)?.log ?? 0) - (sub(1) ?? 0)).toBeCloseTo(
      ln(0.02) / 3,
      9,
    );
  });

  it("pays everywhere for what is no uplink: a downlink channel, a frequency outside, the wrong width", () => {
    const more = (one: HeardChannel) =>
      (of([...second, one], "US915").find(({ subBand }) => subBand === 2)?.log ?? Number.NaN) - ln(0.1);
    expect(more(heard(923.3, 3))).toBeCloseTo(ln(0.05), 9);
    expect(more(heard(923.5, 3))).toBeCloseTo(ln(1e-4), 9);
    // SF8 at 500 kHz is a data rate of the plan, on a channel of 125 kHz.
    expect(more(heard(903.9, 3, 8, 500_000))).toBeCloseTo(ln(1e-3), 9);
    // No data rate has 62.5 kHz: paid for once, as a data rate.
    expect(more(heard(903.9, 3, 8, 62_500))).toBeCloseTo(ln(1e-3), 9);
  });

  it("without named sub-bands has blocks of eight channels: CN470, five sets of channels", () => {
    const rowsOf = of(
      Array.from({ length: 8 }, (_, i) => heard(470.3 + 0.2 * i, 3)),
      "CN470",
    );
    const first = rowsOf.find(({ variant, block }) => variant === "20MHz-A" && typeof block === "string");
    expect(first?.block?.replace("\u202F", " ")).toBe("470.3 to 471.7 MHz");
    // One of five sets, one of eight blocks (80 %).
    expect(first?.log).toBeCloseTo(ln(1 / 5) + ln(0.8 / 8), 9);
    const older = rowsOf.find(
      ({ variant, block }) => variant === "before RP002-1.0.1" && typeof block === "string",
    );
    // 96 channels are twelve blocks.
    expect(older?.log).toBeCloseTo(ln(1 / 5) + ln(0.8 / 12), 9);
    expect(rowsOf.every(({ subBand }) => subBand === null)).toBe(true);
  });
});

describe("no known plan", () => {
  it("is a twentieth beforehand and pays a fiftieth for each channel", () => {
    const none = regionHypotheses([heard(866.1, 3), heard(868.1, 1), heard(868.1, 2, 12)]).find(
      ({ plan }) => plan === null,
    );
    // Two channels: both data rates of 868.1 MHz are one.
    expect(none?.log).toBeCloseTo(ln(0.05) + 2 * ln(0.02), 9);
    expect(none).toMatchObject({ variant: null, subBand: null });
  });
});
