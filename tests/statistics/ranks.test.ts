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

  it("says so when every pair is equal", () => {
    expect(signedRank([0, 0, 0])).toMatchObject({ p: null, method: "none", n: 0 });
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

  it("gives no interval for five pairs and says why", () => {
    const few = hodgesLehmann([1, 2, 3, 4, 5]);
    expect(few).toMatchObject({ estimate: 3, low: null, high: null });
    expect(few.reason).toContain("5 pairs");
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
