import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { groupShift, rankSum } from "../../src/statistics/rank-tests.ts";
import { rankWithTies } from "../../src/statistics/robust.ts";
import { hodgesLehmann, signedRank } from "../../src/statistics/signed-rank.ts";

const tenths = (min: number, max: number) => fc.integer({ min: min * 10, max: max * 10 }).map((n) => n / 10);

describe("ranks", () => {
  it("share their mean among ties and sum to n(n+1)/2", () => {
    expect(rankWithTies([3, 1, 3, 2])).toEqual({ ranks: [3.5, 1, 3.5, 2], tieSizes: [2] });
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 0, max: 9 }), { maxLength: 60 }), (values) => {
        const sum = rankWithTies(values).ranks.reduce((a, b) => a + b, 0);
        expect(sum).toBe((values.length * (values.length + 1)) / 2);
      }),
    );
  });
});

describe("the signed-rank test", () => {
  it("equals an enumeration of all signs for few differences", () => {
    fc.assert(
      fc.property(
        fc.uniqueArray(fc.integer({ min: 1, max: 60 }), { minLength: 1, maxLength: 9 }),
        fc.nat(),
        (sizes, bits) => {
          const signed = (mask: number): number[] => sizes.map((d, i) => ((mask >> i) & 1 ? d : -d));
          const v = (list: readonly number[]): number => signedRank(list).vPlus;
          const observed = signed(bits % 2 ** sizes.length);
          let asLarge = 0;
          for (let mask = 0; mask < 2 ** sizes.length; mask += 1) {
            asLarge += v(signed(mask)) >= v(observed) ? 1 : 0;
          }
          const { p } = signedRank(observed, { alternative: "greater" });
          expect(p).toBeCloseTo(asLarge / 2 ** sizes.length, 10);
        },
      ),
      { numRuns: 15 },
    );
  });

  it("of three differences counts eight patterns of signs", () => {
    // Sums of the ranks 1, 2, 3: 0, 1, 2, 3, 3, 4, 5, 6.
    const p = (list: readonly number[], alternative: "two-sided" | "greater" | "less") =>
      signedRank(list, { alternative }).p;
    expect(["greater", "less", "two-sided"].map((one) => p([3, 5, 9], one as "less"))).toEqual([
      1 / 8,
      1,
      1 / 4,
    ]);
    expect(["greater", "less", "two-sided"].map((one) => p([-3, -5, -9], one as "less"))).toEqual([
      1,
      1 / 8,
      1 / 4,
    ]);
    // 1 + 2 against 3: three or more five times, three or fewer five times.
    expect(["greater", "less", "two-sided"].map((one) => p([3, 5, -9], one as "less"))).toEqual([
      5 / 8,
      5 / 8,
      1,
    ]);
    expect(signedRank([3, 5, -9])).toMatchObject({
      vPlus: 3,
      vMinus: 3,
      method: "exact",
    });
  });

  it("in its normal form takes ties from the variance, and half a rank towards the centre", () => {
    // Ranks 1.5, 1.5, 3 about 3: variance 3 x 4 x 7 / 24 - (8 - 2) / 48 = 3.375; z = 2.5 / 1.8371 = 1.3608, P 0.08678.
    expect(signedRank([1, 1, 2])).toMatchObject({ vPlus: 6, vMinus: 0, method: "normal" });
    expect(signedRank([1, 1, 2]).p).toBeCloseTo(2 * 0.08678, 4);
    expect(signedRank([1, 1, 2], { alternative: "greater" }).p).toBeCloseTo(0.08678, 4);
    expect(signedRank([-1, -1, -2], { alternative: "less" }).p).toBeCloseTo(0.08678, 4);
    // Without: z = 3 / 1.8371 = 1.6330, P 0.05124.
    expect(signedRank([1, 1, 2], { continuity: false }).p).toBeCloseTo(2 * 0.05124, 4);
    // Two ties of two: (6 + 6) / 48 from 4 x 5 x 9 / 24: 7.25; z = 4.5 / 2.6926 = 1.6713, P 0.04734.
    expect(signedRank([1, 1, 2, 2]).p).toBeCloseTo(2 * 0.04734, 4);
  });

  it("says so when every pair is equal", () => {
    expect(signedRank([0, 0, 0])).toMatchObject({ p: null, method: "none" });
    expect(signedRank([])).toMatchObject({ p: null });
  });

  it("turns to the normal form with ties, with zeros and above 50", () => {
    expect(signedRank([1, 1, 2]).method).toBe("normal");
    expect(signedRank([1, 2, 0]).method).toBe("normal");
    expect(signedRank(Array.from({ length: 51 }, (_, i) => i + 1)).method).toBe("normal");
    expect(signedRank([1, 2, 4]).method).toBe("exact");
  });
});

describe("Hodges and Lehmann's shift", () => {
  it("follows a shift of all differences, and its interval contains it", () => {
    fc.assert(
      fc.property(fc.array(tenths(-20, 20), { minLength: 6, maxLength: 70 }), tenths(-9, 9), (values, by) => {
        const here = hodgesLehmann(values);
        const there = hodgesLehmann(values.map((v) => v + by));
        expect(there.estimate).toBeCloseTo(here.estimate! + by, 9);
        expect(there.low).toBeCloseTo(here.low! + by, 9);
        expect(here.low!).toBeLessThanOrEqual(here.estimate!);
        expect(here.high!).toBeGreaterThanOrEqual(here.estimate!);
        expect(here.achieved!).toBeGreaterThanOrEqual(0.95);
      }),
      { numRuns: 50 },
    );
  });

  it("of 1 to 8 runs from the fourth average to the fourth last, exact up to fifty", () => {
    // P(V <= 3) = 5/256, P(V <= 4) = 7/256: twice the first is below a twentieth. Averages 1, 1.5, 2, 2 …
    expect(hodgesLehmann([8, 2, 3, 1, 5, 6, 7, 4])).toEqual({
      estimate: 4.5,
      low: 2,
      high: 7,
      achieved: 1 - 10 / 256,
    });
    // At 90 %: P(V <= 5) = 10/256, P(V <= 6) = 14/256: the sixth, of 1, 1.5, 2, 2, 2.5, 2.5.
    expect(hodgesLehmann([1, 2, 3, 4, 5, 6, 7, 8], 0.9)).toMatchObject({
      low: 2.5,
      high: 6.5,
      achieved: 1 - 20 / 256,
    });
    const even = (count: number) => Array.from({ length: count }, (_, i) => i);
    expect(hodgesLehmann(even(50)).achieved).toBeGreaterThan(0.95);
    expect(hodgesLehmann(even(51)).achieved).toBe(0.95);
  });

  it("gives no interval for five pairs", () => {
    const few = hodgesLehmann([1, 2, 3, 4, 5]);
    expect(few).toEqual({
      estimate: 3,
      low: null,
      high: null,
      achieved: null,
    });
    expect(hodgesLehmann([])).toMatchObject({ estimate: null });
  });

  it("takes equal differences together to the same averages", () => {
    fc.assert(
      fc.property(fc.array(fc.integer({ min: -3, max: 3 }), { minLength: 60, maxLength: 90 }), (values) => {
        const averages = values.flatMap((one, i) => values.slice(i).map((other) => (one + other) / 2));
        averages.sort((a, b) => a - b);
        const { length } = averages;
        const middle = ((averages[(length - 1) >> 1] ?? 0) + (averages[length >> 1] ?? 0)) / 2;
        const n = values.length;
        const sigma = Math.sqrt((n * (n + 1) * (2 * n + 1)) / 24) / length;
        const c = Math.max(1, Math.floor(length * (0.5 - 1.959963984540054 * sigma)));
        const found = hodgesLehmann(values);
        expect(found).toMatchObject({ estimate: middle, low: averages[c - 1], high: averages[length - c] });
      }),
      { numRuns: 50 },
    );
  });

  it("stays close for more pairs than can be averaged", () => {
    const many = Array.from({ length: 9000 }, (_, i) => ((i * 7919) % 2000) / 100 - 8);
    const result = hodgesLehmann(many);
    expect(result.estimate).toBeCloseTo(1.995, 1);
    expect(result.high! - result.low!).toBeLessThan(0.4);
    expect(result.high! - result.low!).toBeGreaterThan(0.1);
  });
});

describe("the rank-sum test", () => {
  it("is symmetric between its groups, exact or not", () => {
    const values = fc.array(tenths(-9, 9), { minLength: 1, maxLength: 12 });
    fc.assert(
      fc.property(values, values, (x, y) => {
        const one = rankSum(x, y);
        const other = rankSum(y, x);
        expect(one.w + other.w).toBeCloseTo(x.length * y.length, 9);
        if (one.p !== null) {
          expect(other.p).toBeCloseTo(one.p, 9);
        }
      }),
    );
  });

  it("equals an enumeration for small groups", () => {
    // 3 of 6 values: 20 assignments; the largest three belong to x in exactly one
    expect(rankSum([4, 5, 6], [1, 2, 3], { alternative: "greater" }).p).toBeCloseTo(1 / 20, 12);
    expect(rankSum([4, 5, 6], [1, 2, 3]).p).toBeCloseTo(2 / 20, 12);
    expect(rankSum([1, 2, 3], [4, 5, 6], { alternative: "greater" }).p).toBeCloseTo(1, 12);
  });

  it("in its normal form takes ties from the variance, and half a rank towards the centre", () => {
    // Ranks 1, 2.5 against 2.5, 4: w = 0.5 about 2; variance 4/12 x (5 - 6 / 12) = 1.5.
    const [x, y] = [
      [1, 2],
      [2, 3],
    ];
    // z = -1 / 1.2247 = -0.8165, P 0.20710; without the half -1.2247, 0.11033.
    expect(rankSum(x, y)).toMatchObject({ w: 0.5, method: "normal" });
    expect(rankSum(x, y).p).toBeCloseTo(2 * 0.2071, 4);
    expect(rankSum(x, y, { alternative: "less" }).p).toBeCloseTo(0.2071, 4);
    expect(rankSum(x, y, { continuity: false }).p).toBeCloseTo(2 * 0.11033, 4);
    // Groups of 2 and 4 with ties of 2 and 3: w = 1.5 + 5 - 3 = 3.5 about 4; 8/12 x (7 - 30 / 30) = 4; z = 0.
    expect(rankSum([1, 3], [1, 2, 3, 3])).toMatchObject({ w: 3.5, method: "normal", p: 1 });
    // The same without its ties: 8/12 x 7; w = 8 of 8, z = 3.5 / 2.1602 = 1.6202, P 0.05259.
    expect(rankSum([5, 6], [1, 2, 3, 4], { exact: false }).p).toBeCloseTo(2 * 0.05259, 4);
    expect(rankSum([5, 6], [1, 2, 3, 4]).p).toBeCloseTo(2 / 15, 12);
    const many = (count: number, from: number) => Array.from({ length: count }, (_, i) => from + i);
    expect(rankSum(many(49, 0), [0.5]).method).toBe("exact");
    expect(rankSum(many(50, 0), [0.5]).method).toBe("normal");
    expect(rankSum([0.5], many(50, 0)).method).toBe("normal");
  });

  it("has nothing to say about an empty group or equal values", () => {
    expect(rankSum([], [1]).p).toBeNull();
    expect(rankSum([1, 1], [1, 1]).p).toBeNull();
    expect(groupShift([], [1])).toBeNull();
  });

  it("compares groups of more than 500 by 500 ranks of each", () => {
    const ramp = (count: number) => Array.from({ length: count }, (_, i) => count - 1 - i);
    // Of 0 to 999 every second, 1, 3 … 999: their middle is 500; of 0 to 499 all: 249.5.
    expect(groupShift(ramp(1000), [0])).toBe(500);
    expect(groupShift(ramp(500), [0])).toBe(249.5);
    expect(groupShift([0], ramp(1000))).toBe(-500);
  });
});
