import { describe, expect, it } from "vitest";
import { createRandom, normal, type Random } from "../../src/simulate/time-and-chance.ts";
import { softThreshold } from "../../src/statistics/soft-threshold.ts";
import type { ThresholdSeries } from "../../src/statistics/threshold-likelihood.ts";

/** Drawn fits of the coverage; more with MASTLOG_THRESHOLD_DRAWS. */
const DRAWS = Number(process.env.MASTLOG_THRESHOLD_DRAWS ?? 200);
const OPTIONS = { ceiling: 20, readingSigma: 0.5, start: { threshold: 0, width: 1.28 } };

/** Levels that the covariate knows; of 40 trials at each so many delivered, their readings 0.8 to either side. */
function ladder(delivered: Readonly<Record<number, number>>, shiftDb = 0): ThresholdSeries {
  const levels = Object.entries(delivered).map(([level, count]) => [Number(level), count] as const);
  return levels.flatMap(([level, count]) =>
    Array.from({ length: 40 }, (_, i) => ({
      reading: i < count ? level + shiftDb + (i % 2 === 0 ? 0.8 : -0.8) : null,
      around: level,
      shift: 0,
      extraVariance: 0,
      block: level + 10,
    })),
  );
}

describe("a soft threshold", () => {
  it("lies where half is delivered, by symmetry", () => {
    // As many delivered above 0 as are missed below it.
    const fit = softThreshold([ladder({ [-4]: 0, [-2]: 3, [-1]: 10, 0: 20, 1: 30, 2: 37, 4: 40 })], OPTIONS);
    expect(Math.abs(fit?.threshold ?? 9)).toBeLessThan(0.25);
    expect(fit?.asymptote).toBeGreaterThan(0.95);
  });

  it("moves with the levels, and its interval with it", () => {
    const steps = { [-4]: 0, [-2]: 4, [-1]: 11, 0: 19, 1: 31, 2: 37, 4: 40 };
    const at = softThreshold([ladder(steps)], OPTIONS);
    const moved = softThreshold([ladder(steps, 3)], {
      ...OPTIONS,
      start: { threshold: 3, width: 1.28 },
    });
    expect((moved?.threshold ?? 0) - (at?.threshold ?? 0)).toBeCloseTo(3, 2);
    expect((moved?.high ?? 0) - (at?.high ?? 0)).toBeCloseTo(3, 1);
  });

  it("takes what is lost at every level for no higher threshold", () => {
    // A fifth is lost far above as well.
    const fit = softThreshold(
      [ladder({ [-4]: 0, [-2]: 2, [-1]: 8, 0: 16, 1: 24, 2: 30, 4: 32, 6: 32 })],
      OPTIONS,
    );
    expect(fit?.asymptote).toBeGreaterThan(0.75);
    expect(fit?.asymptote).toBeLessThan(0.88);
    expect(Math.abs(fit?.threshold ?? 9)).toBeLessThan(0.4);
  });

  it("is none without trials", () => {
    expect(softThreshold([], OPTIONS)).toBeNull();
  });

  it(`holds the truth in its interval as often as stated, over ${DRAWS} drawn fits`, () => {
    let held = 0;
    let fits = 0;
    const errors: number[] = [];
    for (let seed = 1; seed <= DRAWS; seed++) {
      const { series, threshold } = drawn(createRandom(seed, "soft threshold"));
      const fit = softThreshold(series, { ...OPTIONS, start: { threshold: -12.5, width: 1.28 } });
      if (fit === null) continue;
      fits += 1;
      // As a measure takes them: what is wider says nothing.
      if (fit.high - fit.low < 3) errors.push(fit.threshold - threshold);
      if (fit.low <= threshold && threshold <= fit.high) held += 1;
    }
    expect(fits).toBeGreaterThan(0.98 * DRAWS);
    // 95 % less 3.2 standard errors of so many draws: what an honest interval misses once in a thousand runs.
    expect(held / fits).toBeGreaterThan(0.95 - 3.2 * Math.sqrt((0.95 * 0.05) / fits));
    const mean = errors.reduce((sum, one) => sum + one, 0) / errors.length;
    expect(errors.length).toBeGreaterThan(0.6 * DRAWS);
    expect(Math.abs(mean)).toBeLessThan(0.1);
    if (DRAWS > 200)
      process.stdout.write(
        `held ${held} of ${fits}; of ${errors.length} told, mean error ${mean.toFixed(3)} dB\n`,
      );
  });
});

/** One to four series about a threshold: slow and fast fading, a logistic knee, losses at any level, readings that stray. */
function drawn(random: Random): { series: ThresholdSeries[]; threshold: number } {
  const between = (from: number, to: number) => from + (to - from) * random.uniform();
  const threshold = between(-13.5, -10.5);
  const width = between(0.8, 2);
  const share = between(0.9, 1);
  const series = Array.from({ length: 1 + Math.floor(3 * random.uniform()) }, () => {
    const mean = threshold + between(0.5, 5);
    const fast = between(0.8, 2.3);
    const slow = between(0, 2);
    const kept = Math.exp(-1 / 25);
    let shadow = slow * normal(random);
    const readings = Array.from({ length: Math.floor(between(80, 180)) }, () => {
      shadow = kept * shadow + Math.sqrt(1 - kept ** 2) * slow * normal(random);
      const level = mean + shadow + fast * normal(random);
      const isRead = random.uniform() < share / (1 + Math.exp((-1.702 * (level - threshold)) / width));
      const reading = Math.round((level + 0.5 * normal(random)) * 4) / 4;
      return isRead ? reading : null;
    });
    return readings.map((reading, i) => {
      // Three readings on either side, drawn towards the middle: as threshold.ts does.
      const near = [-3, -2, -1, 1, 2, 3].flatMap((step) => readings[i + step] ?? []);
      const around = near.reduce((sum, one) => sum + one - threshold - 2, 0) / (near.length + 1);
      return { reading, around, shift: 0, extraVariance: 0, block: Math.floor(i / 25) };
    });
  });
  return { series, threshold };
}
