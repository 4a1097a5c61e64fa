import { describe, expect, it } from "vitest";
import { loudNoise } from "../../src/radio/loud-noise.ts";
import type { TimedNoise } from "../../src/radio/noise.ts";
import { createRandom } from "../../src/simulate/random.ts";

const HOUR_US = 3.6e9;

/** Thirty samples an hour for six hours over noise of a level, with a dB of scatter either way. */
function samples(noiseDbm: (hour: number) => number, seed = 5): TimedNoise[] {
  const random = createRandom(seed);
  return Array.from({ length: 180 }, (_, i) => {
    const atUs = ((i + random.uniform()) / 30) * HOUR_US;
    const scatter = (random.uniform() - 0.5) * 2;
    return { atUs, noiseDbm: noiseDbm(atUs / HOUR_US) + scatter, trust: "good" as const };
  });
}

describe("a channel that was louder for some time", () => {
  it("is found with its begin, end and size", () => {
    const loud = loudNoise(samples((hour) => (hour >= 3 && hour < 4.5 ? -101 : -117)));
    expect(loud).toMatchObject({ beginSeen: true, endSeen: true });
    expect((loud?.fromUs ?? 0) / HOUR_US).toBeCloseTo(3, 1);
    expect((loud?.toUs ?? 0) / HOUR_US).toBeCloseTo(4.5, 1);
    expect(loud?.riseDb).toBeGreaterThan(15.5);
    expect(loud?.riseDb).toBeLessThan(16.5);
  });

  it("may go on at the end, or have begun before", () => {
    expect(loudNoise(samples((hour) => (hour >= 4 ? -107 : -117)))).toMatchObject({
      beginSeen: true,
      endSeen: false,
    });
    expect(loudNoise(samples((hour) => (hour < 2 ? -107 : -117)))).toMatchObject({
      beginSeen: false,
      endSeen: true,
    });
  });

  it("is not found in steady noise, nor in a step of 4 dB, nor without samples", () => {
    for (let seed = 1; seed <= 20; seed += 1) expect(loudNoise(samples(() => -117, seed))).toBeNull();
    expect(loudNoise(samples((hour) => (hour >= 3 ? -113 : -117)))).toBeNull();
    expect(loudNoise([])).toBeNull();
    expect(loudNoise(samples((hour) => (hour > 3 && hour < 3.1 ? -100 : -117)))).toBeNull();
  });

  it("is not found where single bursts come and go", () => {
    for (let seed = 1; seed <= 20; seed += 1) {
      const random = createRandom(seed);
      expect(loudNoise(samples(() => (random.uniform() < 0.1 ? -100 : -117), seed))).toBeNull();
    }
  });

  it("does not depend on the order of the samples", () => {
    const some = samples((hour) => (hour >= 3 && hour < 4.5 ? -101 : -117));
    expect(loudNoise([...some].reverse())).toEqual(loudNoise(some));
  });
});
