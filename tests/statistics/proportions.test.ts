import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { intervalZ, normalCdf, normalQuantile, twoSidedP } from "../../src/statistics/distributions.ts";
import { binomialCdf, binomialPmf, mcnemar, wilsonInterval } from "../../src/statistics/proportions.ts";
import { clopperPearsonInterval } from "../published/formulas.ts";

const counts = fc
  .integer({ min: 1, max: 5000 })
  .chain((n) => fc.tuple(fc.integer({ min: 0, max: n }), fc.constant(n)));

describe("the normal distribution", () => {
  it("keeps its digits far out in the tail", () => {
    // Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.2 (from memory): Q(4), Q(5)
    expect(normalCdf(-4)).toBeCloseTo(3.167124e-5, 11);
    expect(twoSidedP(5)).toBeCloseTo(2 * 2.866516e-7, 12);
    expect(intervalZ(0.95)).toBeCloseTo(1.959964, 6);
    expect(normalQuantile(0.5)).toBe(0);
  });
});

describe("Wilson's interval", () => {
  it("contains the observed ratio and stays within 0 and 1", () => {
    fc.assert(
      fc.property(counts, fc.double({ min: 0.5, max: 0.999, noNaN: true }), ([successes, n], confidence) => {
        const { ratio, low, high } = wilsonInterval(successes, n, confidence);
        expect(low).toBeGreaterThanOrEqual(0);
        expect(high).toBeLessThanOrEqual(1);
        expect(low).toBeLessThanOrEqual(ratio!);
        expect(high).toBeGreaterThanOrEqual(ratio!);
      }),
    );
  });

  it("mirrors itself when successes and failures change places", () => {
    fc.assert(
      fc.property(counts, ([successes, n]) => {
        const one = wilsonInterval(successes, n);
        const other = wilsonInterval(n - successes, n);
        expect(other.low).toBeCloseTo(1 - one.high, 12);
        expect(other.high).toBeCloseTo(1 - one.low, 12);
      }),
    );
  });

  it("never says 100 % without its doubt: 10 of 10 is 72 to 100 %", () => {
    const { low, high } = wilsonInterval(10, 10);
    expect(low).toBeCloseTo(0.7225, 4);
    expect(high).toBe(1);
  });

  it("allows everything when there was no trial", () => {
    expect(wilsonInterval(0, 0)).toMatchObject({ ratio: null, low: 0, high: 1 });
    expect(wilsonInterval(0, 0).ratio).toBeNull();
    expect(wilsonInterval(Number.NaN, 10).ratio).toBeNull();
  });
});

describe("the binomial distribution", () => {
  it("sums to one", () => {
    fc.assert(
      fc.property(fc.integer({ min: 1, max: 300 }), fc.double({ min: 0, max: 1, noNaN: true }), (n, p) => {
        let sum = 0;
        for (let k = 0; k <= n; k += 1) {
          sum += binomialPmf(k, n, p);
        }
        expect(sum).toBeCloseTo(1, 9);
      }),
    );
    expect(binomialCdf(-1, 10, 0.5)).toBe(0);
    expect(binomialCdf(10, 10, 0.5)).toBe(1);
  });

  it("is the sum of the chances of each count up to it", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 300 }),
        fc.nat({ max: 300 }),
        fc.double({ min: 0, max: 1, noNaN: true }),
        (n, k, p) => {
          let sum = 0;
          for (let i = 0; i <= Math.min(k, n); i += 1) sum += binomialPmf(i, n, p);
          expect(binomialCdf(k, n, p)).toBeCloseTo(Math.min(1, sum), 10);
        },
      ),
    );
  });

  it("makes an exact interval that has a closed form for none and for all", () => {
    const none = clopperPearsonInterval(0, 10);
    // 1 - (0.025)^(1/10)
    expect(none.high).toBeCloseTo(1 - 0.025 ** 0.1, 9);
    expect(clopperPearsonInterval(10, 10).low).toBeCloseTo(0.025 ** 0.1, 9);
    expect(clopperPearsonInterval(0, 0).ratio).toBeNull();
  });
});

describe("McNemar's test", () => {
  it("does not care which receiver is called A", () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 200 }), fc.integer({ min: 0, max: 200 }), (b, c) => {
        expect(mcnemar(b, c).p).toEqual(mcnemar(c, b).p);
        const { p, midP } = mcnemar(b, c, { exact: true });
        if (b + c > 0) {
          expect(p).toBeGreaterThan(0);
          expect(p).toBeLessThanOrEqual(1);
          expect(midP).toBeLessThanOrEqual(1);
        }
      }),
    );
  });

  it("needs six frames all one way for p below 0.05, and turns to chi-squared at 25", () => {
    expect(mcnemar(0, 5).p).toBeGreaterThan(0.05);
    expect(mcnemar(0, 6).p).toBeLessThan(0.05);
    expect(mcnemar(12, 12).method).toBe("exact");
    expect(mcnemar(12, 13).method).toBe("chi-squared");
  });

  it("says that there is nothing to compare without discordant frames", () => {
    expect(mcnemar(0, 0)).toMatchObject({ p: null, method: "none" });
  });
});
