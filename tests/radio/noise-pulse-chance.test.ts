import { describe, expect, it } from "vitest";
import { noisePulse } from "../../src/radio/noise-pulse.ts";
import { createRandom } from "../../src/simulate/random.ts";

describe("noise in no order", () => {
  it("has no period, in any of 30 draws of 540 frames over six hours", () => {
    for (let seed = 1; seed <= 30; seed += 1) {
      const times = createRandom(seed, "marks");
      const loud = createRandom(seed, "loud");
      const marks = Array.from({ length: 540 }, () => times.uniform() * 6 * 3600)
        .sort((a, b) => a - b)
        .map((atS) => ({ atUs: atS * 1e6, isLoud: loud.uniform() < 0.2 }));
      expect(noisePulse(marks), `seed ${seed}`).toBeNull();
    }
  });
});

describe("noise of more than 1,500 frames", () => {
  it("is judged by the last 1,500", () => {
    const random = createRandom(2, "strewn");
    const last = Array.from({ length: 1_500 }, () => 1_000_000 + random.uniform() * 10_800).map((atS) => ({
      atUs: atS * 1e6,
      isLoud: atS % 300 < 75,
    }));
    // Before them hours of frames that were loud without a pause.
    const earlier = Array.from({ length: 1_300 }, (_, i) => ({
      atUs: (900_000 + i * 70) * 1e6,
      isLoud: true,
    }));
    expect(noisePulse(last)?.periodUs).toBeCloseTo(300e6, -6);
    expect(noisePulse([...earlier, ...last])).toEqual(noisePulse(last));
  });
});

describe("noise on for 30 s of 600", () => {
  it("has the long period although two thirds of its power lie in harmonics", () => {
    const random = createRandom(1, "marks");
    const marks = Array.from({ length: 540 }, () => random.uniform() * 6 * 3600).map((atS) => ({
      atUs: atS * 1e6,
      isLoud: atS % 600 < 30,
    }));
    expect(Math.abs((noisePulse(marks)?.periodUs ?? 0) / 600e6 - 1)).toBeLessThan(0.01);
  });
});
