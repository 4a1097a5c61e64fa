import { describe, expect, it } from "vitest";
import { type NoiseReading, noiseTrend, noiseTrendOf } from "../../src/radio/noise.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";

const HOUR_US = 3.6e9;
const WINDOW = { fromUs: 0, toUs: 6 * HOUR_US };

/** Frames at one SNR over noise that runs from one level to another, with a dB of scatter. */
function frames(
  perHour: number,
  snrDb: number,
  noiseDbm: (hour: number) => number,
  seed = 3,
): NoiseReading[] {
  const random = createRandom(seed);
  return Array.from({ length: 6 * perHour }, (_, i) => {
    const atUs = ((i + random.uniform()) / perHour) * HOUR_US;
    const noise = noiseDbm(atUs / HOUR_US) + (random.uniform() - 0.5) * 2;
    return { atUs, snrDb, rssiDbm: noise + 10 * Math.log10(1 + 10 ** (snrDb / 10)) };
  });
}

describe("the trend of the noise", () => {
  it("tells a rise with its slope, and that steady noise is steady", () => {
    const rising = noiseTrend(
      frames(80, -5, (hour) => -117 + hour),
      WINDOW,
      24,
    );
    expect(rising).toMatchObject({ verdict: "rises", trust: "good", filled: 24 });
    expect(rising.slopeDbPerHour).toBeGreaterThan(0.85);
    expect(rising.slopeDbPerHour).toBeLessThan(1.15);
    expect((rising.slopeLow ?? 9) < 1 && (rising.slopeHigh ?? 0) > 1).toBe(true);
    expect(rising.p).toBeLessThan(0.001);
    const steady = noiseTrend(
      frames(80, -5, () => -117),
      WINDOW,
      24,
    );
    expect(steady.verdict).toBe("steady");
    const falling = noiseTrend(
      frames(80, -5, (hour) => -110 - hour),
      WINDOW,
      24,
    );
    expect(falling.verdict).toBe("falls");
  });

  it("is not reported for a rise of a dB, however sure", () => {
    const little = noiseTrend(
      frames(300, -5, (hour) => -117 + hour / 6),
      WINDOW,
      24,
    );
    expect(little.p).toBeLessThan(0.01);
    expect(little.verdict).toBe("steady");
  });

  it("needs six stretches of five frames, else it is not enough", () => {
    const few = noiseTrend(
      frames(14, -5, (hour) => -117 + 3 * hour),
      WINDOW,
      24,
    );
    expect(few).toMatchObject({ verdict: "not enough", slopeDbPerHour: null, p: null });
    expect(noiseTrend([], WINDOW, 24)).toMatchObject({ verdict: "not enough", trust: "none", filled: 0 });
    // The same frames in fewer stretches are enough.
    expect(
      noiseTrend(
        frames(14, -5, (hour) => -117 + 3 * hour),
        WINDOW,
        12,
      ).verdict,
    ).toBe("rises");
  });

  it("takes frames up to 5 dB for want of weaker ones, says so, and never mixes the two", () => {
    const rough = noiseTrend(
      frames(80, 3, () => -117),
      WINDOW,
      24,
    );
    expect(rough).toMatchObject({ trust: "rough", filled: 24 });
    const mixed = noiseTrend([...frames(80, -5, () => -117), ...frames(80, 4, () => -105, 9)], WINDOW, 24);
    expect(mixed.trust).toBe("good");
    expect(Math.max(...mixed.stretches.map((dbm) => dbm ?? 0))).toBeLessThan(-115);
    expect(
      noiseTrend(
        frames(80, 9, () => -117),
        WINDOW,
        24,
      ).trust,
    ).toBe("none");
  });

  it("is not taken in by bursts in fewer than nine of ten frames", () => {
    const bursts = frames(80, -5, () => -117).map((one, i) =>
      i % 5 === 0 ? { ...one, rssiDbm: (one.rssiDbm ?? 0) + 12 } : one,
    );
    const { stretches } = noiseTrend(bursts, WINDOW, 24);
    for (const dbm of stretches) expect(dbm).toBeLessThan(-116.5);
  });
});

describe("a trend of six stretches, by hand", () => {
  const HALF_HOUR_US = 1.8e9;
  const window = { fromUs: 7 * HOUR_US, toUs: 10 * HOUR_US };
  /** Five samples of one level in a stretch of half an hour. */
  const five = (stretch: number, noiseDbm: number, trust: "good" | "rough" = "good", count = 5) =>
    Array.from({ length: count }, (_, i) => ({
      atUs: window.fromUs + stretch * HALF_HOUR_US + i * 1e6,
      noiseDbm,
      trust,
    }));
  const ramp = [-120, -119, -118, -117, -116, -115].flatMap((dbm, i) => five(i, dbm));

  it("rises by 2 dB an hour, 5 dB in all, its loudest stretch 2.5 dB above the middle", () => {
    const trend = noiseTrendOf(ramp, window, 6);
    expect(trend).toMatchObject({
      stretches: [-120, -119, -118, -117, -116, -115],
      trust: "good",
      filled: 6,
      loudestDb: 2.5,
      verdict: "rises",
    });
    // 1 dB in half an hour between any two; the first and the last lie 2.5 h apart.
    for (const slope of [trend.slopeDbPerHour, trend.slopeLow, trend.slopeHigh])
      expect(slope).toBeCloseTo(2, 9);
    expect(trend.changeDb).toBeCloseTo(5, 9);
    // S = 15 of 15 pairs, variance 6 × 5 × 17 / 18 = 28.33: z = 14 / 5.323 = 2.630, two-sided p = 0.0085.
    expect(trend.p).toBeCloseTo(0.0085, 4);
  });

  it("is a trend from 3 dB on, whichever way", () => {
    const scaled = (slope: number) => [0, 1, 2, 3, 4, 5].flatMap((i) => five(i, -118 + slope * i));
    expect(noiseTrendOf(scaled(0.6), window, 6)).toMatchObject({ verdict: "rises" });
    expect(noiseTrendOf(scaled(-0.6), window, 6)).toMatchObject({ verdict: "falls" });
    expect(noiseTrendOf(scaled(0.59), window, 6)).toMatchObject({ verdict: "steady" });
    expect(noiseTrendOf(scaled(-0.59), window, 6)).toMatchObject({ verdict: "steady" });
  });

  it("is no trend without order: five pairs of fifteen the other way", () => {
    const mixed = [-120, -115, -118, -113, -117, -112].flatMap((dbm, i) => five(i, dbm));
    expect(noiseTrendOf(mixed, window, 6).verdict).toBe("steady");
  });

  it("takes a stretch from five samples on, and none outside the window", () => {
    const trend = noiseTrendOf(
      [
        ...ramp.slice(5),
        ...five(0, -120, "good", 4),
        { atUs: window.fromUs - 1, noiseDbm: -120, trust: "good" },
        { atUs: window.toUs, noiseDbm: -90, trust: "good" },
      ],
      window,
      6,
    );
    expect(trend).toMatchObject({
      stretches: [null, -119, -118, -117, -116, -115],
      filled: 5,
      loudestDb: 2,
      slopeDbPerHour: null,
      slopeLow: null,
      slopeHigh: null,
      changeDb: null,
      p: null,
      verdict: "not enough",
    });
  });

  it("keeps to good samples where they fill half of what all fill, or six stretches", () => {
    const rough = (stretches: number[]) => stretches.flatMap((i) => five(i, -110, "rough"));
    const good = (stretches: number[]) => stretches.flatMap((i) => five(i, -120));
    const trustOf = (goodAt: number[], roughAt: number[], stretches = 6) =>
      noiseTrendOf(
        [...good(goodAt), ...rough(roughAt)],
        { ...window, toUs: window.fromUs + stretches * HALF_HOUR_US },
        stretches,
      );
    expect(trustOf([0, 1, 2], [3, 4, 5])).toMatchObject({ trust: "good", filled: 3 });
    expect(trustOf([0, 1], [2, 3, 4, 5])).toMatchObject({ trust: "rough", filled: 6 });
    expect(trustOf([0, 1, 2, 3, 4, 5], [6, 7, 8, 9, 10, 11, 12, 13], 14)).toMatchObject({
      trust: "good",
      filled: 6,
    });
    expect(trustOf([0, 1, 2, 3, 4], [6, 7, 8, 9, 10, 11, 12, 13], 14)).toMatchObject({
      trust: "rough",
      filled: 13,
    });
    expect(trustOf([], [2])).toMatchObject({ trust: "rough", filled: 1, loudestDb: 0 });
    expect(trustOf([], [])).toMatchObject({ trust: "none", filled: 0, loudestDb: null });
  });
});
