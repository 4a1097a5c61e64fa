/**
 * Published numbers for a straight line and for the quantiles that its intervals use.
 * NIST StRD, linear regression, data set Norris (certified values; data and values from memory, which the certified
 * digits confirm); NIST/SEMATECH e-Handbook 1.3.6.7.2 and 1.3.6.7.4, tables of critical values (from memory).
 */
import { describe, expect, it } from "vitest";
import { chiSquareQuantile, intervalT, studentTwoSidedP } from "../../src/statistics/distributions.ts";
import { fitLine } from "../../src/statistics/theil-sen.ts";

/** y, x. */
const NORRIS = [
  [0.1, 0.2],
  [338.8, 337.4],
  [118.1, 118.2],
  [888.0, 884.6],
  [9.2, 10.1],
  [228.1, 226.5],
  [668.5, 666.3],
  [998.5, 996.3],
  [449.1, 448.6],
  [778.9, 777.0],
  [559.2, 558.2],
  [0.3, 0.4],
  [0.1, 0.6],
  [778.1, 775.5],
  [668.8, 666.9],
  [339.3, 338.0],
  [448.9, 447.5],
  [10.8, 11.6],
  [557.7, 556.0],
  [228.3, 228.1],
  [998.0, 995.8],
  [888.8, 887.6],
  [119.6, 120.2],
  [0.3, 0.3],
  [0.6, 0.3],
  [557.6, 556.8],
  [339.3, 339.1],
  [888.0, 887.2],
  [998.5, 999.0],
  [778.9, 779.0],
  [10.2, 11.1],
  [117.6, 118.3],
  [228.9, 229.2],
  [668.4, 669.1],
  [449.2, 448.9],
  [0.2, 0.5],
] as const;

describe("a straight line", () => {
  it("has the certified values of the data set Norris", () => {
    const fit = fitLine(NORRIS.map(([y, x]) => ({ x, y })))!;
    expect(fit.intercept).toBeCloseTo(-0.262323073774029, 9);
    expect(fit.slope).toBeCloseTo(1.00211681802045, 11);
    expect(fit.interceptError).toBeCloseTo(0.232818234301152, 9);
    expect(fit.slopeError).toBeCloseTo(0.429796848199937e-3, 12);
    expect(fit.sigma).toBeCloseTo(0.884796396144373, 10);
    expect(fit.count).toBe(36);
  });

  it("is not fitted to one place or two points", () => {
    expect(fitLine(NORRIS.slice(0, 2).map(([y, x]) => ({ x, y })))).toBeNull();
    expect(fitLine([1, 2, 3].map((y) => ({ x: 5, y })))).toBeNull();
  });
});

describe("critical values", () => {
  it("of Student's t are those of the table", () => {
    for (const [degrees, value] of [
      [1, 12.706],
      [3, 3.182],
      [5, 2.571],
      [10, 2.228],
      [30, 2.042],
      [100, 1.984],
    ] as const) {
      expect(intervalT(0.95, degrees)).toBeCloseTo(value, 3);
      expect(studentTwoSidedP(intervalT(0.95, degrees), degrees)).toBeCloseTo(0.05, 9);
    }
  });

  it("of chi-square are those of the table", () => {
    expect(chiSquareQuantile(0.95, 1)).toBeCloseTo(3.841, 3);
    expect(chiSquareQuantile(0.975, 10)).toBeCloseTo(20.483, 3);
    expect(chiSquareQuantile(0.025, 10)).toBeCloseTo(3.247, 3);
    expect(chiSquareQuantile(0.99, 30)).toBeCloseTo(50.892, 3);
  });
});
