/** Small figures worked by hand: dependence, bootstrap, pooled effects, trends. */
import { describe, expect, it } from "vitest";
import { pooledEffect } from "../../src/diagnosis/trials/node-effect.ts";
import {
  bivariateNormalCdf,
  bivariateNormalSlopes,
  chanceOfInterval,
  chiSquareQuantile,
  intervalT,
  studentTwoSidedP,
} from "../../src/statistics/distributions.ts";
import { inverseOf, maximiseLikelihood } from "../../src/statistics/maximum-likelihood.ts";
import { mediansOfSeries, robustSigma, thinByMedians, tieSizesOf } from "../../src/statistics/robust.ts";
import {
  blockSums,
  dependenceOf,
  effectiveCount,
  effectiveSampleSize,
  lag1Autocorrelation,
  repeatableChance,
  standardDeviation,
} from "../../src/statistics/series.ts";
import { fitLine, pooledTheilSen, theilSen, theilSenLine } from "../../src/statistics/theil-sen.ts";
import { trendOf, trendOfSeries } from "../../src/statistics/trend.ts";
import { bootstrapEstimates } from "../published/formulas.ts";

const HOUR_US = 3.6e9;
const DAY_US = 24 * HOUR_US;

describe("values that depend on their neighbours", () => {
  it("are worth fewer by 1 + 2 Σ ρ: two pairs alike", () => {
    // Variance 1; at lag 1 of 4 / 3 the products 1, −1, 1: 1 + 2 × 1/3.
    expect(dependenceOf([1, 1, -1, -1])).toEqual({
      variance: 1,
      integratedTime: expect.closeTo(5 / 3, 12),
      count: 4,
    });
    // Over gaps: lag 1 has −1 and 1, lag 2 has 1 and −1.
    expect(dependenceOf([1, null, 1, -1, -1, null])).toEqual({ variance: 1, integratedTime: 1, count: 4 });
    expect(dependenceOf([2, null, 2, -2])).toBeNull();
    expect(dependenceOf([0, 0, 0, 0])).toEqual({ variance: 0, integratedTime: 1, count: 4 });
    expect(dependenceOf([3, -3, 3, -3])).toEqual({ variance: 9, integratedTime: 1, count: 4 });
  });

  it("of eight in two runs count 2.58", () => {
    expect(effectiveCount([1, 2, 3])).toBe(3);
    expect(effectiveCount([1, -1, 1, -1, 1, -1, 1, -1])).toBe(8);
    // Lag 1: 5/7, lag 2: 2/6: 1 + 10/7 + 2/3 = 3.0952.
    expect(effectiveCount([1, 1, 1, 1, -1, -1, -1, -1])).toBeCloseTo(8 / (1 + 10 / 7 + 2 / 3), 9);
    expect(effectiveCount([5, 5, 5, 5, 3, 3, 3, 3])).toBeCloseTo(8 / (1 + 10 / 7 + 2 / 3), 9);
    expect(effectiveCount([5, 5, 5, 5, 5, 5, 5, 5])).toBe(8);
    // In batches of two the same eight means, of sixteen values.
    const twice = [1, 1, 1, 1, -1, -1, -1, -1].flatMap((value) => [value + 1, value - 1]);
    // Variance of one value 2, of a batch 1: 2 / (3.0952 / 8).
    expect(effectiveCount(twice, 8)).toBeCloseTo((2 * 8) / (1 + 10 / 7 + 2 / 3), 9);
  });

  it("rising evenly have a first autocorrelation of a quarter in four", () => {
    // About 2.5: −1.5, −0.5, 0.5, 1.5: (0.75 − 0.25 + 0.75) / 5
    expect(lag1Autocorrelation([1, 2, 3, 4])).toBeCloseTo(0.25, 12);
    expect(lag1Autocorrelation([1, 2, 4])).not.toBeNull();
    expect(effectiveSampleSize(100, 0.5)).toBeCloseTo(100 / 3, 12);
    expect(effectiveSampleSize(100, 1)).toBe(1);
    expect(effectiveSampleSize(3, 0.9)).toBe(1);
  });
});

describe("chance that runs the same", () => {
  it("is xorshift: 270369, 67634689, 2647435461 from 1 (Marsaglia 2003; from memory)", () => {
    const random = repeatableChance(1);
    expect([random(), random(), random()].map((one) => one * 2 ** 32)).toEqual([
      270_369, 67_634_689, 2_647_435_461,
    ]);
    expect(repeatableChance(0)()).toBe(repeatableChance(1)());
  });

  it("draws blocks on a ring, the rest of them shorter", () => {
    const always = (value: number) => ({ replicates: 2, random: () => value });
    expect(blockSums([1, 2, 4, 8], { block: 2, ...always(0) })).toEqual([6, 6]);
    // The last start: 8 + 1, twice.
    expect(blockSums([1, 2, 4, 8], { block: 2, ...always(0.99) })).toEqual([18, 18]);
    // Five slots: two blocks of two and one of one, all from the second slot.
    expect(blockSums([1, 2, 4, 8, 16], { block: 2, ...always(0.2) })).toEqual([14, 14]);
    expect(blockSums([1, 2, 4], { block: 9, ...always(0.34) })).toEqual([7, 7]);
    expect(blockSums([1, 2, 4], { block: 0, ...always(0.34) })).toEqual([6, 6]);
    expect(blockSums([], { block: 2, ...always(0) })).toEqual([]);
  });

  it("draws values with replacement", () => {
    let at = 0;
    const turns = () => [0, 0.4, 0.99][at++ % 3] ?? 0;
    expect(bootstrapEstimates([3, 5, 9], (sample) => sample.reduce((a, b) => a + b, 0), 1, turns)).toEqual([
      17,
    ]);
    expect(standardDeviation([2, 4, 6])).toBe(2);
    expect(standardDeviation([2])).toBe(0);
  });
});

describe("differences of nodes pooled by hand", () => {
  it("of 0 and 2 with variance ½ differ by a variance of 1½ between them", () => {
    // Squares about 1: 2 / (½ + τ²) = 1.
    const pooled = pooledEffect(
      [0, 2].map((estimate) => ({ estimate, variance: 0.5 })),
      20,
    );
    expect(pooled?.tauSquared).toBeCloseTo(1.5, 9);
    expect(pooled).toMatchObject({ estimate: 1, differs: false, degrees: 1, weights: [0.5, 0.5] });
    // ¼ × ½ twice, ¼ × 1½ twice.
    expect(pooled?.betweenVariance).toBeCloseTo(0.75, 9);
    expect(pooled?.variance).toBeCloseTo(1, 9);
  });

  it("are found to differ beyond the 99th percentile of chi-square: 6.63 with one degree", () => {
    const differs = (apart: number) =>
      pooledEffect(
        [0, apart].map((estimate) => ({ estimate, variance: 0.5 })),
        20,
      )?.differs;
    // Q is the square of the distance; Wilson and Hilferty give 6.59 for 6.63.
    expect([differs(2.55), differs(2.59)]).toEqual([false, true]);
    const five = (scale: number) =>
      pooledEffect(
        [-2, -1, 0, 1, 2].map((one) => ({ estimate: one * scale, variance: 1 })),
        20,
      )?.differs;
    // Q = 10 scale²; 13.28 with four degrees.
    expect([five(1.15), five(1.16)]).toEqual([false, true]);
  });

  it("that agree weigh by their variances, which the agreement narrows", () => {
    // Weights 1 and 1/3; mean 1.25; Q = 0.0625 + 0.5625/3 = 0.25.
    const pooled = pooledEffect(
      [
        { estimate: 1, variance: 1 },
        { estimate: 2, variance: 3 },
      ],
      9,
    );
    expect(pooled).toMatchObject({
      estimate: 1.25,
      betweenVariance: 0,
      differs: false,
      tauSquared: 0,
      degrees: 10,
    });
    expect(pooled?.weights).toEqual([0.75, 0.25]);
    // (0.5625 × 1 + 0.0625 × 3) × (9 + 0.25) / (9 + 1)
    expect(pooled?.variance).toBeCloseTo(0.75 * 0.925, 12);
    expect(pooledEffect([], 9)).toBeNull();
    expect(pooledEffect([{ estimate: 3, variance: 2 }], 9)).toEqual({
      estimate: 3,
      variance: 2,
      betweenVariance: 0,
      differs: false,
      tauSquared: 0,
      degrees: 9,
      weights: [1],
    });
  });
});

describe("slopes by hand", () => {
  const line = [0, 1, 2, 3].map((x) => ({ x, y: [0, 1, 3, 3][x] ?? 0 }));

  it("of four points: the median of 1, 1.5, 1, 2, 1, 0", () => {
    // Sorted 0, 1, 1, 1, 1.5, 2; no two x, two equal y: variance (4 × 3 × 13 − 2 × 1 × 9) / 18 = 7.667, 1.96 σ = 5.43.
    const fit = theilSen(line);
    expect(fit).toMatchObject({ slope: 1, pairs: 6, low: 0, high: 2 });
    // Medians: y 2, x 1.5
    expect(fit.intercept).toBe(0.5);
    expect(theilSenLine(Float64Array.of(0, 1, 2, 3), Float64Array.of(0, 1, 3, 3))).toEqual({
      slope: 1,
      intercept: 0.5,
    });
    expect(theilSenLine(Float64Array.of(1, 1), Float64Array.of(0, 3))).toBeNull();
  });

  it("of ten points have Sen's ranks: of 45 slopes the 12th and the 34th", () => {
    // Variance 10 × 9 × 25 / 18 = 125, 1.96 × 11.18 = 21.91: (45 ∓ 21.91) / 2 = 11.54, 33.46.
    const points = Array.from({ length: 10 }, (_, i) => ({ x: i, y: i * i }));
    const slopes = points
      .flatMap(({ x }, i) => points.slice(i + 1).map((other) => x + other.x))
      .sort((a, b) => a - b);
    expect(theilSen(points)).toMatchObject({ slope: 9, low: slopes[11], high: slopes[33], pairs: 45 });
    // Two such stretches: 90 slopes, variance 250, 1.96 × 15.81 = 30.99: ranks 29.5 and 60.5.
    const both = [...slopes, ...slopes].sort((a, b) => a - b);
    expect(pooledTheilSen([points, points])).toEqual({ slope: 9, low: both[29], high: both[60], pairs: 90 });
  });

  it("take ties out of their variance: five values of 0, then five of 5", () => {
    // (10 × 9 × 25 − 2 × 5 × 4 × 15) / 18 = 91.67, 1.96 × 9.574 = 18.77: ranks 13 and 32 of 45. Twenty slopes are 0; those of
    // 5 over 9, 8, 7, 6 and 5 follow, 1, 2, 3, 4 and 5 of them.
    const points = Array.from({ length: 10 }, (_, i) => ({ x: i, y: i < 5 ? 0 : 5 }));
    expect(theilSen(points)).toMatchObject({ slope: 5 / 8, low: 0, high: 1, pairs: 45 });
  });

  it("by least squares have errors: four points about 0.1 + 1.1 x", () => {
    // Σx² about 1.5: 5; Σxy: −1.5 × −1.75 − 0.5 × −0.75 + 0.5 × 1.25 + 1.5 × 1.25 = 5.5.
    const fit = fitLine(line);
    expect(fit?.slope).toBeCloseTo(1.1, 12);
    expect(fit?.intercept).toBeCloseTo(0.1, 12);
    // Residuals −0.1, −0.2, 0.7, −0.4: 0.7 over two degrees of freedom.
    expect(fit?.sigma).toBeCloseTo(Math.sqrt(0.35), 12);
    expect(fit?.slopeError).toBeCloseTo(Math.sqrt(0.35 / 5), 12);
    expect(fit?.interceptError).toBeCloseTo(Math.sqrt(0.35 * (1 / 4 + 2.25 / 5)), 12);
    expect(fit?.count).toBe(4);
    // Student's t, 2 degrees: 4.3027.
    expect(fit?.slopeInterval[0]).toBeCloseTo(1.1 - 4.3027 * Math.sqrt(0.07), 3);
    expect(fit?.slopeInterval[1]).toBeCloseTo(1.1 + 4.3027 * Math.sqrt(0.07), 3);
    expect(fit?.interceptInterval[0]).toBeCloseTo(0.1 - 4.3027 * Math.sqrt(0.245), 3);
    expect(fit?.interceptInterval[1]).toBeCloseTo(0.1 + 4.3027 * Math.sqrt(0.245), 3);
    // Chi-square of two degrees: −2 ln 0.025 = 7.3778 and −2 ln 0.975 = 0.050636 under 0.7.
    expect(fit?.sigmaInterval).toEqual([
      expect.closeTo(Math.sqrt(0.7 / 7.3778), 4),
      expect.closeTo(Math.sqrt(0.7 / 0.050636), 4),
    ]);
    expect(fitLine(line.slice(0, 3))?.count).toBe(3);
    expect(fitLine(line.slice(0, 2))).toBeNull();
    expect(fitLine([1, 2, 3].map((y) => ({ x: 5, y })))).toBeNull();
  });
});

describe("a trend by hand", () => {
  const days = (values: readonly number[], stepUs = DAY_US) =>
    values.map((value, i) => ({ tUs: 20_000 * DAY_US + i * stepUs, value }));
  const falling = (slope: number, count = 8) => Array.from({ length: count }, (_, i) => slope * i);

  it("falls by 1 dB a day over a week", () => {
    // S = −28, variance 8 × 7 × 21 / 18 = 65.33: z = −27 / 8.083 = −3.340.
    expect(trendOf(days(falling(-1)))).toEqual({
      slopePerDay: -1,
      slopeLow: -1,
      slopeHigh: -1,
      p: expect.closeTo(0.000837, 5),
      points: 8,
      effectivePoints: 8,
      spanDays: 7,
      outcome: "real",
    });
    const series = {
      tUs: Float64Array.from(days(falling(-1)), ({ tUs }) => tUs),
      values: Float64Array.from(falling(-1)),
    };
    expect(trendOfSeries(series)).toEqual(trendOf(days(falling(-1))));
  });

  it("is small below 3 dB over the span, short below seven days, few below six medians", () => {
    expect(trendOf(days(falling(0.5))).outcome).toBe("real");
    expect(trendOf(days(falling(0.42))).outcome).toBe("small");
    expect(trendOf(days(falling(-1, 7)))).toMatchObject({ outcome: "short", points: 7, spanDays: 6 });
    expect(trendOf(days(falling(-1, 5)))).toMatchObject({
      outcome: "few",
      points: 5,
      spanDays: 4,
      effectivePoints: null,
    });
    expect(trendOf(days([0, 3, 1, 4, 2, 5, 0, 3]))).toMatchObject({ outcome: "chance" });
  });

  it("leaves out what has no value or no time", () => {
    const sound = days(falling(-1));
    const odd = [
      { tUs: 20_003 * DAY_US + HOUR_US, value: Number.NaN },
      { tUs: Number.NaN, value: 50 },
      { tUs: Number.POSITIVE_INFINITY, value: 50 },
    ];
    expect(trendOf([...odd, ...sound])).toEqual(trendOf(sound));
  });

  it("takes medians of days from a week on, of hours before", () => {
    // Two values a day, 1 dB apart: the day's median lies between them.
    const twice = falling(-1).flatMap((value, i) => [
      { tUs: (20_000 + i) * DAY_US, value: value - 0.5 },
      { tUs: (20_000 + i) * DAY_US + HOUR_US, value: value + 0.5 },
    ]);
    expect(trendOf(twice)).toMatchObject({ points: 8, slopePerDay: expect.closeTo(-1, 9) });
    expect(trendOf(twice.slice(0, 14))).toMatchObject({ points: 14, outcome: "short" });
  });

  it("that runs in hooks counts fewer values: what remains of the slope is dependent", () => {
    const hooked = days(Array.from({ length: 16 }, (_, i) => 0.5 * i + 2 * Math.sin((2 * Math.PI * i) / 8)));
    const trend = trendOf(hooked);
    expect(trend.effectivePoints).toBeLessThan(6);
    expect(trend.points).toBe(16);
  });
});

describe("thinning by hand", () => {
  it("takes medians of time and value slot by slot, of a series as of points", () => {
    const series = { tUs: Float64Array.of(1, 2, 3, 12, 14, 30), values: Float64Array.of(1, 9, 2, 8, 5, 4) };
    expect(mediansOfSeries(series, 10)).toEqual([
      { tUs: 2, value: 2 },
      { tUs: 13, value: 6.5 },
      { tUs: 30, value: 4 },
    ]);
    expect(mediansOfSeries({ tUs: new Float64Array(0), values: new Float64Array(0) }, 10)).toEqual([]);
  });

  it("leaves few points as they are, in order", () => {
    const points = [3, 1, 2].map((tUs) => ({ tUs, value: tUs }));
    expect(thinByMedians(points, 3).map(({ tUs }) => tUs)).toEqual([1, 2, 3]);
    // Nine points into three: slots of (8 − 0) / 2 = 4.
    const nine = Array.from({ length: 9 }, (_, i) => ({ tUs: i, value: 10 * i }));
    expect(thinByMedians(nine, 3)).toEqual([
      { tUs: 1.5, value: 15 },
      { tUs: 5.5, value: 55 },
      { tUs: 8, value: 80 },
    ]);
  });

  it("counts ties, and widens a median deviation to a standard one", () => {
    expect(tieSizesOf([1, 2, 1, 3, 2, 1, 4])).toEqual([3, 2]);
    // Deviations from 3: 2, 1, 0, 1, 2.
    expect(robustSigma([1, 2, 3, 4, 5])).toBeCloseTo(1.4826, 12);
    expect(robustSigma([1, 2, 3, 4, 5], 2)).toBe(2);
  });
});

describe("an interval longer than those before", () => {
  it("is as likely as its rank among them", () => {
    expect(chanceOfInterval([10, 20, 30], 20)).toBe(3 / 4);
    expect(chanceOfInterval([10, 20, 30], 30)).toBe(2 / 4);
    // Twice the longest: a quarter of one in four, less than (1 + 60/60)^−3.
    expect(chanceOfInterval([10, 20, 30], 60)).toBe(1 / 16);
  });

  it("is less likely where most of the time is in a few: (1 + t / sum)^−n", () => {
    const intervals = [...Array<number>(9).fill(1), 100];
    expect(chanceOfInterval(intervals, 101)).toBeCloseTo((1 + 101 / 109) ** -10, 12);
  });

  it("is certain where none is known", () => {
    expect([chanceOfInterval([], 5), chanceOfInterval([0], 5)]).toEqual([1, 1]);
  });
});

describe("slopes of the bivariate normal", () => {
  it.each([
    [0, 0, 0],
    [1, 0, 0.5],
    [-0.7, 1.3, -0.8],
  ])("at %f, %f, %f are its differences", (h, k, rho) => {
    const step = 1e-4;
    const by = (dh: number, dk: number, dr: number) =>
      (bivariateNormalCdf(h + dh, k + dk, rho + dr) - bivariateNormalCdf(h - dh, k - dk, rho - dr)) /
      (2 * step);
    const [byH, byK, byRho] = bivariateNormalSlopes(h, k, rho);
    expect(byH).toBeCloseTo(by(step, 0, 0), 5);
    expect(byK).toBeCloseTo(by(0, step, 0), 5);
    expect(byRho).toBeCloseTo(by(0, 0, step), 5);
  });
});

describe("Student's t and chi-square", () => {
  it("of one, two and four degrees are closed forms", () => {
    for (const t of [0.01, 0.3, 1, 2.5, 9, 60]) {
      expect(studentTwoSidedP(t, 1)).toBeCloseTo(1 - (2 / Math.PI) * Math.atan(t), 11);
      expect(studentTwoSidedP(-t, 2)).toBeCloseTo(1 - t / Math.sqrt(2 + t * t), 11);
      expect(studentTwoSidedP(t, 4)).toBeCloseTo(1 - (t / Math.sqrt(4 + t * t)) * (1 + 2 / (4 + t * t)), 11);
    }
    expect([0, Number.POSITIVE_INFINITY].map((t) => studentTwoSidedP(t, 3))).toEqual([1, 0]);
  });

  it("have the limits of the tables: 12.706, 4.303, 2.228, 1.984, of chi-square 3.841 and 18.307", () => {
    // tan(0.475 π); √2 x 0.95 / √(0.5 x 0.0975 x 2) …
    expect(intervalT(0.95, 1)).toBeCloseTo(Math.tan(0.475 * Math.PI), 8);
    expect(intervalT(0.95, 2)).toBeCloseTo(0.95 * Math.sqrt(2 / (1 - 0.95 ** 2)), 10);
    expect([10, 100].map((degrees) => intervalT(0.95, degrees))).toEqual([
      expect.closeTo(2.228139, 5),
      expect.closeTo(1.983972, 5),
    ]);
    // Asked for in turn, each has its own.
    expect([intervalT(0.9, 10), intervalT(0.95, 10)]).toEqual([
      expect.closeTo(1.812461, 5),
      expect.closeTo(2.228139, 5),
    ]);
    // -2 ln(1 - p) with two degrees.
    expect(chiSquareQuantile(0.9, 2)).toBeCloseTo(2 * Math.log(10), 9);
    expect([chiSquareQuantile(0.95, 1), chiSquareQuantile(0.95, 10)]).toEqual([
      expect.closeTo(3.841459, 5),
      expect.closeTo(18.307038, 5),
    ]);
  });
});

describe("the search for a maximum", () => {
  /** Of normal observations about a mean that is sought; `sharpness` times the unit matrix and half as much beside it. */
  const search = (observed: readonly (readonly number[])[], start: readonly number[], sharpness: number) => {
    const path: (readonly number[])[] = [];
    const scoresAt = (mean: readonly number[]) =>
      observed.map((one) => {
        const off = one.map((value, i) => value - (mean[i] ?? 0));
        return off.map(
          (own, i) => off.reduce((sum, other, j) => sum + (i === j ? 0 : other / 2), own) * sharpness,
        );
      });
    const fit = maximiseLikelihood(
      {
        weights: Float64Array.from(observed, () => 1),
        total: (mean) =>
          -scoresAt(mean).reduce(
            (sum, score, k) =>
              sum + score.reduce((a, s, i) => a + (s * ((observed[k]?.[i] ?? 0) - (mean[i] ?? 0))) / 2, 0),
            0,
          ),
        scores: (mean) => {
          if (!path.some((one) => one.every((value, i) => Math.abs(value - (mean[i] ?? 0)) < 0.005)))
            path.push(mean);
          return Float64Array.from(scoresAt(mean).flat());
        },
      },
      start,
      observed.length,
    );
    return { path, fit };
  };

  it("steps by the sum of the scores over the sum of their squares", () => {
    // -1 and 1 from 1: scores -2 and 0, -2 / 4; from 0.5: -1.5 and 0.5, -1 / 2.5; from 0.1: -0.2 / 2.02.
    const { path, fit } = search([[-1], [1]], [1], 1);
    expect(path).toEqual([[1], [0.5], [expect.closeTo(0.1, 9)], [expect.closeTo(0.00099, 5)]]);
    expect(fit?.parameters[0]).toBeCloseTo(0, 4);
    // Each moves the mean of two by half of what it lies off.
    expect([...(fit?.influence ?? [])]).toEqual([expect.closeTo(-0.5, 3), expect.closeTo(0.5, 3)]);
  });

  it("steps in two parameters by the inverse of the products", () => {
    // Scores from (1, 0), by 1.5 times [[2, 1], [1, 2]]: (0, 0), (-6, -3), (-1.5, 1.5), (-4.5, -4.5): sum (-12, -6), products
    // 2.25 times 26, 16, 14, whose inverse is [[14, -16], [-16, 26]] / 243: (-72, 36) / 243.
    const four = [
      [1, 0],
      [-1, 0],
      [0, 1],
      [0, -1],
    ];
    const { path, fit } = search(four, [1, 0], 3);
    expect(path[1]).toEqual([expect.closeTo(1 - 8 / 27, 9), expect.closeTo(4 / 27, 9)]);
    expect([...(fit?.influence ?? [])]).toEqual(four.flat().map((one) => expect.closeTo(one / 4, 3)));
  });

  it("goes no further than 3 at once, and halves what does not gain", () => {
    // Scores -0.02 and 0: -0.02 / 0.0004 would be -50; -2 is worse than 1, -0.5 better.
    expect(search([[-1], [1]], [1], 0.01).path.slice(0, 2)).toEqual([[1], [-0.5]]);
  });

  it("ends without a peak where nothing tells, and where what is given is impossible", () => {
    expect(search([[1], [1]], [1], 1).fit).toBeNull();
    expect(search([[-1], [1]], [Number.NaN], 1).fit).toBeNull();
  });
});

describe("the inverse of a matrix", () => {
  const close = (rows: readonly (readonly number[])[]) =>
    rows.map((row) => row.map((one) => expect.closeTo(one, 9)));

  it("is found row by row, also where a pivot is 0", () => {
    expect(inverseOf([[4]])).toEqual([[0.25]]);
    // 1 / (4 × 3 − 2 × 1) = 0.1 times [[3, −2], [−1, 4]]
    expect(
      inverseOf([
        [4, 2],
        [1, 3],
      ]),
    ).toEqual(
      close([
        [0.3, -0.2],
        [-0.1, 0.4],
      ]),
    );
    expect(
      inverseOf([
        [0, 2],
        [4, 0],
      ]),
    ).toEqual(
      close([
        [0, 0.25],
        [0.5, 0],
      ]),
    );
    // A pivot next to 0 would lose all digits: [[1, −1], [−1, 0]] to twenty places.
    expect(
      inverseOf([
        [1e-11, 1],
        [1, 1],
      ]),
    ).toEqual(
      close([
        [-1, 1],
        [1, 0],
      ]),
    );
    expect(
      inverseOf([
        [0, 0, 1],
        [1, 0, 0],
        [0, 1, 0],
      ]),
    ).toEqual(
      close([
        [0, 1, 0],
        [0, 0, 1],
        [1, 0, 0],
      ]),
    );
  });

  it("is none of a singular one", () => {
    expect(
      inverseOf([
        [1, 2],
        [2, 4],
      ]),
    ).toBeNull();
    expect(inverseOf([[0]])).toBeNull();
  });
});
