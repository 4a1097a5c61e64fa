import { describe, expect, it } from "vitest";
import { type NoiseReading, noiseTrend } from "../../src/radio/noise.ts";
import { createRandom } from "../../src/simulate/random.ts";

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
