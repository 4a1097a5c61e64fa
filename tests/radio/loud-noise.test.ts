import { describe, expect, it } from "vitest";
import type { TimedNoise } from "../../src/radio/noise.ts";
import { loudNoise } from "../../src/radio/noise-pulse.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";

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

  /** A sample a minute, exactly at its level. */
  const minutes = (...levels: readonly number[]): TimedNoise[] =>
    levels.map((noiseDbm, i) => ({ atUs: i * 60e6, noiseDbm, trust: "good" }));
  const flat = (noiseDbm: number, count: number) => Array<number>(count).fill(noiseDbm);

  it("is told to the minute: twelve minutes by 10 dB among sixty", () => {
    const heard = minutes(...flat(-117, 24), ...flat(-107, 12), ...flat(-117, 24));
    expect(loudNoise(heard)).toEqual({
      fromUs: 24 * 60e6,
      toUs: 35 * 60e6,
      beginSeen: true,
      endSeen: true,
      riseDb: 10,
    });
    // From 6 dB on, for ten minutes and longer.
    expect(loudNoise(minutes(...flat(-117, 24), ...flat(-111, 12), ...flat(-117, 24)))?.riseDb).toBe(6);
    expect(loudNoise(minutes(...flat(-117, 24), ...flat(-111.1, 12), ...flat(-117, 24)))).toBeNull();
    const nine = minutes(...flat(-117, 24), ...flat(-107, 9), ...flat(-117, 27));
    expect(loudNoise(nine)).toBeNull();
  });

  it("must be loud in eight of ten samples", () => {
    // Every third sample calm leaves the medians of three loud, but two thirds are too few.
    const holed = (every: number) =>
      minutes(
        ...flat(-117, 30),
        ...Array.from({ length: 30 }, (_, i) => (i % every === 1 ? -117 : -107)),
        ...flat(-117, 30),
      );
    expect(loudNoise(holed(3))).toBeNull();
    expect(loudNoise(holed(6))).toMatchObject({ fromUs: 30 * 60e6, toUs: 59 * 60e6 });
  });

  it("is the loudest of several, and one calm level does not part it", () => {
    const two = minutes(
      ...flat(-117, 24),
      ...flat(-109, 12),
      ...flat(-117, 24),
      ...flat(-104, 12),
      ...flat(-117, 24),
    );
    expect(loudNoise(two)).toMatchObject({ fromUs: 60 * 60e6, toUs: 71 * 60e6, riseDb: 13 });
    // Of two as loud the first.
    const alike = two.map((one) => ({ ...one, noiseDbm: Math.min(one.noiseDbm, -109) }));
    expect(loudNoise(alike)).toMatchObject({ fromUs: 24 * 60e6, riseDb: 8 });
    const parted = minutes(
      ...flat(-117, 24),
      ...flat(-107, 9),
      ...flat(-117, 3),
      ...flat(-107, 9),
      ...flat(-117, 24),
    );
    expect(loudNoise(parted)).toMatchObject({ fromUs: 24 * 60e6, toUs: 44 * 60e6 });
  });

  it("leaves rough samples aside from forty good ones on, and needs twelve samples", () => {
    const rough = minutes(...flat(-117, 24), ...flat(-107, 12), ...flat(-117, 24)).map((one, i) =>
      i >= 24 && i < 36 ? { ...one, trust: "rough" as const } : one,
    );
    expect(loudNoise(rough)).toBeNull();
    expect(loudNoise(rough.slice(9))).toMatchObject({ riseDb: 10 });
    expect(loudNoise(minutes(...flat(-117, 5), ...flat(-107, 6)))).toBeNull();
    // Eleven samples five minutes apart: six loud over 25 min, one short of twelve; with twelve it is told.
    const slow = (calm: number) =>
      minutes(...flat(-117, calm), ...flat(-107, 6)).map((one) => ({ ...one, atUs: 5 * one.atUs }));
    expect(loudNoise(slow(5))).toBeNull();
    expect(loudNoise(slow(6))).toMatchObject({ fromUs: 30 * 60e6, toUs: 55 * 60e6, riseDb: 10 });
  });
});
