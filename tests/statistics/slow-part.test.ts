import { describe, expect, it } from "vitest";
import { commonPart } from "../../src/statistics/series.ts";
import { chancesOf, longRun, shapeOf, wavesOf } from "../../src/statistics/slow-variation.ts";

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

describe("cosine transforms by hand", () => {
  const powers = (values: readonly number[], durationS = 600) =>
    wavesOf({ values, durationS }).map((power) => expect.closeTo(power ?? Number.NaN, 6));

  it("of two pairs lie in the first and third wave", () => {
    // Σ v cos(π (2 i + 1) / 8) = 2 cos 22.5° + 2 cos 67.5° = 2.6131, squared and halved over 4 values of variance 1;
    // the third: 2 cos 67.5° − 2 cos 22.5° = −1.0824.
    expect([3.414_214, 0, 0.585_786]).toEqual(powers([1, 1, -1, -1]));
  });

  it("of five values count the middle one once", () => {
    // 4 cos 18° and 4 cos 54°; variance 1.6.
    expect([3.618_034, 0, 1.381_966, 0]).toEqual(powers([2, 0, 0, 0, -2]));
    // The middle alone: cos 90° = 0 in odd waves, −1 and 1 in even ones; variance 0.8.
    expect([0, 2, 0, 2]).toEqual(powers([0, 0, 2, 0, 0]));
  });

  it("of a wave of 600 values lie there alone", () => {
    const values = Array.from({ length: 600 }, (_, i) => Math.cos((Math.PI * 3 * (2 * i + 1)) / 1200));
    const waves = wavesOf({ values, durationS: 600 });
    expect(waves).toHaveLength(64);
    waves.forEach((power, j) => {
      expect(power).toBeCloseTo(j === 2 ? 600 : 0, 6);
    });
  });

  it("say nothing near a day and half a day where the daily course was taken off", () => {
    // Two days: the fourth and the eighth wave, and those beside them.
    const values = Array.from({ length: 12 }, (_, i) => (i % 5) - 2);
    const waves = wavesOf({ values, durationS: 172_800, dayTaken: true });
    expect(waves.flatMap((power, j) => (power === null ? [j + 1] : []))).toEqual([3, 4, 5, 7, 8, 9]);
    expect(wavesOf({ values, durationS: 172_800 }).includes(null)).toBe(false);
  });

  it("are none of fewer than four values, nor of values that are all 0", () => {
    expect(wavesOf({ values: [1, -1, 1], durationS: 600 })).toEqual([]);
    expect(wavesOf({ values: [0, 0, 0, 0], durationS: 600 })).toEqual([]);
  });
});

describe("the shape of a slow part by hand", () => {
  it("of two values one memory apart: k = 1/e", () => {
    const k = Math.exp(-1);
    const { waves, sum } = shapeOf(2, 600, 600);
    // Spectrum at a quarter turn; variance of the sum 1 + k for each value.
    expect(waves).toEqual([expect.closeTo((1 - k * k) / (1 + k * k), 12)]);
    expect(sum).toBeCloseTo(1 + k, 12);
  });

  it("of three values: 1 + 4/3 k + 2/3 k²", () => {
    const k = Math.exp(-1 / 2);
    expect(shapeOf(3, 600, 600).sum).toBeCloseTo(1 + (4 / 3) * k + (2 / 3) * k * k, 12);
    expect(shapeOf(3, 600, 600).waves).toHaveLength(2);
    expect(shapeOf(100, 600, 600).waves).toHaveLength(64);
  });

  it("of one value, or of several at one moment, has no course in time", () => {
    expect(shapeOf(1, 600, 600)).toEqual({ waves: [], sum: 1 });
    expect(shapeOf(0, 600, 600)).toEqual({ waves: [], sum: 1 });
    expect(shapeOf(5, 0, 600)).toEqual({ waves: [], sum: 5 });
  });
});

describe("what is presumed where data say nothing", () => {
  // Two values ten minutes apart have no waves: chances stay as presumed. Mean share of a slow part: 0.3095 at a chance
  // of a quarter; memories of 10, 30 and 90 min at ¼, ½, ¼.
  const two = { values: [1, -1], durationS: 600, weight: 1 };
  const kept = [600, 1800, 5400].map((memoryS) => Math.exp(-600 / memoryS));
  const over = (of: (k: number) => number) => {
    const [short = 0, middle = 0, long = 0] = kept.map(of);
    return short / 4 + middle / 2 + long / 4;
  };

  it("is a sum that varies by 0.0774 × 0.674 more", () => {
    const { factors, slowChance, degrees, spectra } = longRun([two]);
    expect(factors[0]).toBeCloseTo(1 + 0.25 * 0.3095 * over((k) => k), 9);
    expect(slowChance).toBeCloseTo(0.25, 12);
    // Mean square of the share 0.167665 × ¼; 4 + 2 × 1.0521² / 0.01785.
    const scatter = 0.25 * 0.167_665 * over((k) => k * k) - ((factors[0] ?? 0) - 1) ** 2;
    expect(degrees).toBeCloseTo(4 + (2 * (factors[0] ?? 0) ** 2) / scatter, 6);
    // At no frequency (1 + k) / (1 − k), at half the sampling rate (1 − k) / (1 + k).
    expect(spectra[0]?.(0)).toBeCloseTo(1 + 0.25 * 0.3095 * over((k) => (2 * k) / (1 - k)), 9);
    expect(spectra[0]?.(1 / 1200)).toBeCloseTo(1 + 0.25 * 0.3095 * over((k) => (-2 * k) / (1 + k)), 9);
  });

  it("is less where a slow part shows in half of the variance only, and none where it is ruled out", () => {
    const half = longRun([two], [{ chance: 0.25, showing: [0.5] }]);
    expect(half.factors[0]).toBeCloseTo(1 + 0.125 * 0.3095 * over((k) => k), 9);
    const none = longRun([two], []);
    expect(none).toMatchObject({ factors: [1], slowChance: 0.02, degrees: 1000 });
    // Never quite sure either way: 0.98.
    const sure = longRun([two], [{ chance: 1 }]);
    expect(sure.slowChance).toBeCloseTo(0.98, 12);
    expect(sure.factors[0]).toBeCloseTo(1 + 0.98 * 0.3095 * over((k) => k), 9);
  });

  it("turns with what the waves show: one wave of the power that a slow part makes", () => {
    expect(chancesOf([{ logWeight: 0 }, { logWeight: Math.log(3) }])).toEqual([
      expect.closeTo(0.25, 12),
      expect.closeTo(0.75, 12),
    ]);
    const wandering = Array.from({ length: 60 }, (_, i) => Math.sin(i / 10));
    const alternating = Array.from({ length: 60 }, (_, i) => (i % 2 === 0 ? 1 : -1));
    const chanceOf = (values: number[], weight = 1) =>
      longRun([{ values, durationS: 3600, weight }]).slowChance;
    expect(chanceOf(wandering)).toBe(0.98);
    expect(chanceOf(alternating)).toBeLessThan(0.15);
    // A series of no weight says nothing.
    expect(chanceOf(wandering, 0)).toBeCloseTo(0.25, 9);
  });
});

describe("what moves all at once", () => {
  it("is weighed by the waves of the sum, each at its frequency", () => {
    // Waves of 3.4142, 0 and 0.5858 (above), at 1, 2 and 3 half turns in ten minutes; a memory of ten minutes.
    const asked: number[] = [];
    const expected = (hz: number) => {
      asked.push(hz);
      return 1;
    };
    const found = commonPart([{ values: [1, 1, -1, -1], durationS: 600, expected }], {
      chance: 0.5,
      memoriesS: [600],
    });
    expect(asked).toEqual([1 / 1200, 2 / 1200, 3 / 1200]);
    const k = Math.exp(-1 / 3);
    const shape = [1, 2, 3].map((wave) => (1 - k * k) / (1 - 2 * k * Math.cos((Math.PI * wave) / 4) + k * k));
    // Sum of 1 + 2 (3/4 k + 2/4 k² + 1/4 k³).
    const sum = 1 + (3 / 2) * k + k ** 2 + k ** 3 / 2;
    const likelihoods = [0, 0.003, 0.01, 0.03, 0.06, 0.1, 0.2, 0.35, 0.6].map((share) => {
      const power = [3.414_213_562, 0, 0.585_786_438].map((wave, j) => {
        const due = 1 + share * Math.max(0, (shape[j] ?? 0) - 1);
        return Math.log(due) + wave / due;
      });
      const chance = share === 0 ? 0.5 : 0.5 / 8;
      return { share, weight: chance * Math.exp(-power.reduce((a, b) => a + b, 0) / 2) };
    });
    const all = likelihoods.reduce((total, { weight }) => total + weight, 0);
    expect(found).toEqual(
      likelihoods.map(({ share, weight }) => ({
        chance: expect.closeTo(weight / all, 9),
        extra: [expect.closeTo(share * (sum - 1), 9)],
      })),
    );
  });
});
