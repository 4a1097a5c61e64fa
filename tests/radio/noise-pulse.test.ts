import { describe, expect, it } from "vitest";
import { type NoiseMark, noisePulse } from "../../src/radio/noise-pulse.ts";
import { createRandom } from "../../src/simulate/random.ts";

const HOUR_US = 3.6e9;

/** Frames at random over six hours, one in 40 s, loud where `isOn` says so. */
function marks(isOn: (atS: number) => boolean, seed = 1): NoiseMark[] {
  const random = createRandom(seed, "marks");
  return Array.from({ length: 540 }, () => random.uniform() * 6 * 3600)
    .sort((a, b) => a - b)
    .map((atS) => ({ atUs: atS * 1e6, isLoud: isOn(atS) }));
}

describe("noise in pulses", () => {
  it("is told with its period and its share, on for 60 s of 300", () => {
    const pulse = noisePulse(marks((atS) => atS % 300 < 60));
    expect(pulse?.periodUs).toBeGreaterThan(299.5e6);
    expect(pulse?.periodUs).toBeLessThan(300.5e6);
    expect(pulse?.onShare).toBeCloseTo(0.2, 1);
    expect(pulse?.p).toBeLessThan(1e-6);
  });

  it("has the long period although two thirds of its power lie in harmonics, on for 30 s of 600", () => {
    const pulse = noisePulse(marks((atS) => atS % 600 < 30));
    expect(Math.abs((pulse?.periodUs ?? 0) / 600e6 - 1)).toBeLessThan(0.01);
  });

  it("has no period in a single loud hour, nor in hours that come twice", () => {
    expect(noisePulse(marks((atS) => atS > 7200 && atS < 10_800))).toBeNull();
    expect(noisePulse(marks((atS) => Math.floor(atS / 5400) % 2 === 1))).toBeNull();
  });

  it("has no period that frames at even times cannot tell from another", () => {
    // One node, one frame in 40 s exactly: 300 s and 46.15 s mark the same frames.
    const even = Array.from({ length: 540 }, (_, i) => ({
      atUs: i * 40e6,
      isLoud: (i * 40) % 300 < 60,
    }));
    expect(noisePulse(even)).toBeNull();
    expect(noisePulse([])).toBeNull();
    expect(noisePulse([{ atUs: HOUR_US, isLoud: true }])).toBeNull();
  });
});
