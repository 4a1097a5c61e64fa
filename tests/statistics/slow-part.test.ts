import { describe, expect, it } from "vitest";
import { longRun } from "../../src/statistics/slow-variation.ts";

describe("what series share in time", () => {
  it("is finite for series of one value, and of values at one moment", () => {
    const { factors, degrees, spectra } = longRun([
      { values: [0], durationS: 0, weight: 1 },
      { values: [0.4, -0.4, 0.2, -0.2], durationS: 0, weight: 0 },
    ]);
    expect(factors[0]).toBeCloseTo(1, 9);
    expect(factors[1]).toBeGreaterThanOrEqual(1);
    expect(factors[1]).toBeLessThan(4.001);
    expect(Number.isFinite(degrees)).toBe(true);
    for (const spectrum of spectra) expect(spectrum(1e-4)).toBeCloseTo(1, 9);
  });
});
