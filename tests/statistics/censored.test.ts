import { describe, expect, it } from "vitest";
import { createRandom, normal, type Random } from "../../src/simulate/time-and-chance.ts";
import { type CensoredReading, censoredMean } from "../../src/statistics/censored.ts";
import { censoredPairDifference, pairLikelihood } from "../../src/statistics/censored-pairs.ts";
import { bivariateNormalCdf, normalCdf } from "../../src/statistics/distributions.ts";
import { type Fit, maximiseLikelihood } from "../../src/statistics/maximum-likelihood.ts";
import type { CensoredPair } from "../../src/statistics/pair-likelihood.ts";

// The likelihood written down observation by observation, with slopes from differences: slow, and plain to read.

const KNEE_DB = 1.28;
const TINY = 1e-300;

/** `at`: the log likelihood of one observation, under given parameters. */
function plainFit(
  count: number,
  weights: readonly number[],
  at: (parameters: readonly number[]) => (observation: number) => number,
  start: readonly number[],
): Fit | null {
  const moved = (parameters: readonly number[], i: number, by: number) =>
    parameters.map((one, j) => (i === j ? one + by : one));
  return maximiseLikelihood(
    {
      weights: Float64Array.from(weights),
      total: (parameters) => {
        const of = at(parameters);
        return weights.reduce((sum, weight, k) => sum + weight * of(k), 0);
      },
      scores: (parameters) => {
        const size = parameters.length;
        const scores = new Float64Array(count * size);
        for (let i = 0; i < size; i++) {
          const up = at(moved(parameters, i, 1e-4));
          const down = at(moved(parameters, i, -1e-4));
          for (let k = 0; k < count; k++) scores[k * size + i] = (up(k) - down(k)) / 2e-4;
        }
        return scores;
      },
    },
    start,
    count,
  );
}

interface Limits {
  readonly floor: number;
  readonly ceiling: number;
  readonly otherLoss: number;
}

/** The log likelihood of each pair, under given parameters; the constant of the normal density is left out. */
function plainLog(pairs: readonly CensoredPair[], { floor, ceiling, otherLoss }: Limits) {
  return ([ma = 0, mb = 0, logA = 0, logB = 0, zRho = 0]: readonly number[]) => {
    const [sa, sb, rho] = [Math.exp(logA), Math.exp(logB), 0.995 * Math.tanh(zRho)];
    const rest = Math.sqrt(1 - rho * rho);
    const [blurA, blurB] = [Math.hypot(sa, KNEE_DB), Math.hypot(sb, KNEE_DB)];
    const heard = 1 - otherLoss;
    const missA = normalCdf((floor - ma) / blurA);
    const missB = normalCdf((floor - mb) / blurB);
    const both = bivariateNormalCdf(
      (floor - ma) / blurA,
      (floor - mb) / blurB,
      (rho * sa * sb) / (blurA * blurB),
    );
    const neither = otherLoss ** 2 + otherLoss * heard * (missA + missB) + heard ** 2 * both;
    const seen = Math.log(1 - neither);
    const aboveBoth = bivariateNormalCdf((ma - ceiling) / sa, (mb - ceiling) / sb, rho);
    const aboveA = missB - bivariateNormalCdf((floor - mb) / blurB, (ceiling - ma) / sa, (rho * sb) / blurB);
    const aboveB = missA - bivariateNormalCdf((floor - ma) / blurA, (ceiling - mb) / sb, (rho * sa) / blurA);
    const half = (z: number, log: number, m: number, s: number, other: number | null) => {
      const expected = m + rho * s * z;
      const chance =
        other === null
          ? otherLoss + heard * normalCdf((floor - expected) / Math.hypot(s * rest, KNEE_DB))
          : normalCdf((expected - ceiling) / (s * rest));
      return -log - (z * z) / 2 + Math.log(chance + TINY);
    };
    return (k: number) => {
      const { a, b } = pairs[k] ?? { a: null, b: null };
      const isIn = (value: number | null): value is number => value !== null && value < ceiling;
      const za = ((a ?? 0) - ma) / sa;
      const zb = ((b ?? 0) - mb) / sb;
      if (isIn(a) && isIn(b))
        return (
          -logA - logB - Math.log(rest) - (za * za - 2 * rho * za * zb + zb * zb) / (2 * rest * rest) - seen
        );
      if (isIn(a)) return half(za, logA, mb, sb, b) - seen;
      if (isIn(b)) return half(zb, logB, ma, sa, a) - seen;
      if (a !== null && b !== null) return Math.log(aboveBoth + TINY) - seen;
      const [up, above] = a !== null ? [(ma - ceiling) / sa, aboveA] : [(mb - ceiling) / sb, aboveB];
      return Math.log(otherLoss * normalCdf(up) + heard * Math.max(0, above) + TINY) - seen;
    };
  };
}

function plainPairs(pairs: readonly CensoredPair[], { floor, ceiling, otherLoss }: Limits): Fit | null {
  const exact = pairs.flatMap(({ a, b }) =>
    a !== null && b !== null && a < ceiling && b < ceiling ? [[a, b] as const] : [],
  );
  const mean = (of: (pair: readonly [number, number]) => number) =>
    exact.reduce((sum, pair) => sum + of(pair), 0) / exact.length;
  const [startA, startB] = [mean(([a]) => a), mean(([, b]) => b)];
  const va = mean(([a]) => (a - startA) ** 2);
  const vb = mean(([, b]) => (b - startB) ** 2);
  const cov = mean(([a, b]) => (a - startA) * (b - startB));
  const start = [
    startA,
    startB,
    Math.log(Math.max(0.3, Math.sqrt(va))),
    Math.log(Math.max(0.3, Math.sqrt(vb))),
    Math.atanh(Math.max(-0.9, Math.min(0.9, cov / Math.sqrt(va * vb)))),
  ];
  return plainFit(
    pairs.length,
    pairs.map(() => 1),
    plainLog(pairs, { floor, ceiling, otherLoss }),
    start,
  );
}

const LIMITS = { floor: -12.5, ceiling: 7, otherLoss: 0.02 };
/** Gateways report the SNR in quarters of a decibel. */
const inSteps = (value: number) => Math.round(value * 4) / 4;

function drawnPairs(random: Random, count: number): CensoredPair[] {
  const [levelA, levelB] = [-13 + random.uniform() * 21, -13 + random.uniform() * 21];
  const heard = (level: number) =>
    level + 1.28 * normal(random) > LIMITS.floor && random.uniform() > LIMITS.otherLoss
      ? inSteps(level)
      : null;
  return Array.from({ length: count }, () => {
    const shared = 2 * normal(random);
    return {
      a: heard(levelA + shared + 1.5 * normal(random)),
      b: heard(levelB + shared + 1.5 * normal(random)),
    };
  }).filter(({ a, b }) => a !== null || b !== null);
}

describe("a difference between two receivers that each hear only what lies above their floor", () => {
  it("is that of the likelihood written down pair by pair, to a thousandth of a decibel", () => {
    const random = createRandom(20);
    let compared = 0;
    for (let i = 0; i < 16; i++) {
      const pairs = drawnPairs(random, 30 + Math.floor(random.uniform() * 200));
      const found = censoredPairDifference(pairs, LIMITS);
      const exact = pairs.filter(({ a, b }) => a !== null && b !== null && a < 7 && b < 7);
      const plain = exact.length < 8 ? null : plainPairs(pairs, LIMITS);
      expect(found === null).toBe(plain === null);
      if (found === null || plain === null) continue;
      compared += 1;
      const [a = 0, b = 0] = plain.parameters;
      expect(Math.abs(found.difference - (a - b))).toBeLessThan(1e-3);
      expect(found.influence).toHaveLength(pairs.length);
      for (const [k, by] of found.influence.entries()) {
        const plainBy = (plain.influence[5 * k] ?? 0) - (plain.influence[5 * k + 1] ?? 0);
        expect(Math.abs(by - plainBy)).toBeLessThan(1e-4);
      }
    }
    expect(compared).toBeGreaterThan(8);
  });

  it("has a likelihood whose slopes, row by row and in sum, are those of what is written down pair by pair", () => {
    const [full, missed, above] = [
      Array.from({ length: 9 }, (_, i) => ({ a: (i % 4) - 3, b: ((i * 3) % 5) - 6 })),
      [-9, -11, -9].flatMap((value) => [
        { a: value, b: null },
        { a: null, b: value + 1 },
      ]),
      [5, 3, 5].flatMap((value) => [
        { a: value, b: 7 },
        { a: 8, b: value - 2 },
      ]),
    ];
    const corners = [
      { a: 7, b: null },
      { a: null, b: 7.5 },
      { a: 8, b: 9 },
      { a: 8, b: 9 },
    ];
    const limits = { floor: -12.5, ceiling: 7, otherLoss: 0.1 };
    const here = [-1.3, -4.1, 1.1, 0.7, 0.6];
    const there = [0.4, -2.2, 0.8, 1.3, -0.5];
    for (const others of [[], missed, above, corners, [...missed, ...above, ...corners]]) {
      const pairs = [...full, ...others];
      const made = pairLikelihood(pairs, limits);
      if (made === null) throw new Error("no likelihood");
      const { likelihood, rows } = made;
      const plain = plainLog(pairs, limits);
      const sum = (parameters: readonly number[]) => {
        const of = plain(parameters);
        return pairs.reduce((total, _, k) => total + of(k), 0);
      };
      expect(likelihood.total(here) - likelihood.total(there)).toBeCloseTo(sum(here) - sum(there), 6);
      const scores = likelihood.scores(here);
      const slopes = [0, 1, 2, 3, 4].map((i) => {
        const moved = (by: number) => plain(here.map((one, j) => (i === j ? one + by : one)));
        const [up, down] = [moved(1e-5), moved(-1e-5)];
        return pairs.map((_, k) => (up(k) - down(k)) / 2e-5);
      });
      for (const [i, ofPairs] of slopes.entries())
        for (const [k, slope] of ofPairs.entries())
          expect(scores[5 * (rows[k] ?? 0) + i]).toBeCloseTo(slope, 5);
      const { slope, outer } = likelihood.sums(here, true);
      const over = (of: (k: number) => number) => pairs.reduce((total, _, k) => total + of(k), 0);
      for (let i = 0; i < 5; i++) {
        expect(slope[i]).toBeCloseTo(
          over((k) => slopes[i]?.[k] ?? 0),
          4,
        );
        for (let j = 0; j < 5; j++)
          expect(outer[5 * i + j]).toBeCloseTo(
            over((k) => (slopes[i]?.[k] ?? 0) * (slopes[j]?.[k] ?? 0)),
            3,
          );
      }
      expect([...likelihood.sums(here, false).outer]).toEqual(Array(25).fill(0));
    }
  });

  it("is the plain mean of the differences where nothing is hidden", () => {
    const pairs = Array.from({ length: 40 }, (_, i) => ({ a: (i % 8) - 3, b: ((i * 3) % 8) - 5 }));
    const found = censoredPairDifference(pairs, { floor: -100, ceiling: 100, otherLoss: 0 });
    expect(found?.difference).toBeCloseTo(2, 4);
    expect(found?.influence.reduce((sum, by) => sum + by, 0)).toBeCloseTo(0, 4);
    // Each pair moves a mean of forty by a fortieth of what it lies off.
    for (const [k, by] of (found?.influence ?? []).entries())
      expect(by).toBeCloseTo(((pairs[k]?.a ?? 0) - (pairs[k]?.b ?? 0) - 2) / 40, 4);
    // Of fewer than eight pairs read in full nothing is said.
    const few = (count: number) =>
      censoredPairDifference(pairs.slice(0, count), { floor: -100, ceiling: 100, otherLoss: 0 });
    expect([few(7) === null, few(8) === null]).toEqual([true, false]);
  });
});

describe("a mean of readings that a floor and a ceiling cut", () => {
  it("is that of the likelihood written down reading by reading, to a thousandth of a decibel", () => {
    const random = createRandom(21);
    let compared = 0;
    for (let i = 0; i < 16; i++) {
      const level = -14 + random.uniform() * 20;
      const readings: CensoredReading[] = Array.from({ length: 120 }, () => {
        const value = level + 3 * normal(random);
        const floor = random.uniform() < 0.5 ? -12.5 : -15;
        return {
          value: value + 1.28 * normal(random) > floor ? inSteps(value) : null,
          floor,
          weight: 0.5 + Math.floor(random.uniform() * 3) / 2,
        };
      });
      const found = censoredMean(readings, LIMITS);
      const exact = readings.flatMap(({ value }) => (value !== null && value < 7 ? [value] : []));
      if (found === null) continue;
      compared += 1;
      const mean = exact.reduce((sum, value) => sum + value, 0) / exact.length;
      const spread = Math.sqrt(exact.reduce((sum, value) => sum + (value - mean) ** 2, 0) / exact.length);
      const weights = readings.map(({ weight }) => weight);
      const plain = plainFit(
        readings.length,
        weights,
        ([m = 0, logSigma = 0]) => {
          const sigma = Math.exp(logSigma);
          return (k) => {
            const { value, floor } = readings[k] ?? { value: null, floor: 0 };
            if (value === null)
              return Math.log(0.02 + 0.98 * normalCdf((floor - m) / Math.hypot(sigma, KNEE_DB)) + TINY);
            if (value >= 7) return Math.log(Math.max(TINY, normalCdf((m - 7) / sigma)));
            return -logSigma - ((value - m) / sigma) ** 2 / 2;
          };
        },
        [mean, Math.log(Math.max(0.3, spread))],
      );
      expect(Math.abs(found.mean - (plain?.parameters[0] ?? 0))).toBeLessThan(1e-3);
      for (const [k, by] of found.influence.entries())
        expect(Math.abs(by - (weights[k] ?? 0) * (plain?.influence[2 * k] ?? 0))).toBeLessThan(1e-4);
    }
    expect(compared).toBeGreaterThan(8);
  });
});
