/** Do the statistics of trials agree with worked examples that others published? */
import { describe, expect, test } from "vitest";
import { bivariateNormalCdf, intervalT, studentTwoSidedP } from "../../src/statistics/distributions.ts";
import {
  holmAdjusted,
  mcnemar,
  pairedScoreInterval,
  unpairedDifference,
} from "../../src/statistics/proportions.ts";
import { median } from "../../src/statistics/robust.ts";
import { repeatableChance, standardDeviation } from "../../src/statistics/series.ts";
import { hodgesLehmann, signedRank } from "../../src/statistics/signed-rank.ts";
import { bootstrapEstimates } from "./formulas.ts";

const Z95 = 1.959964;

describe("Tango's score interval of a paired difference", () => {
  // R package contingencytables (Fagerland, Lydersen and Laake, Statistical Analysis of Contingency Tables, 2017, chapter
  // 8), tests/testthat/test-ch8.R: stored output for complete response before and after consolidation therapy (Cavo et
  // al. 2012), 59, 6, 16, 80: -0.0621 (-0.1240 to -0.0054).
  test("agrees with the package's stored output for Cavo et al.", () => {
    const found = pairedScoreInterval({ both: 59, onlyA: 6, onlyB: 16, neither: 80 }, Z95);
    expect(found?.estimate).toBeCloseTo(-0.0621, 4);
    expect(found?.low).toBeCloseTo(-0.124, 4);
    expect(found?.high).toBeCloseTo(-0.0054, 4);
  });

  // The same file: 0, 3, 0, 0 gives 1 (-0.1230 to 1), and mirrored -1 (-1 to 0.1230).
  test("agrees with the package's stored output where one side alone heard all", () => {
    const found = pairedScoreInterval({ both: 0, onlyA: 3, onlyB: 0, neither: 0 }, Z95);
    expect(found?.low).toBeCloseTo(-0.123, 4);
    expect(found?.high).toBeCloseTo(1, 4);
    const mirrored = pairedScoreInterval({ both: 0, onlyA: 0, onlyB: 3, neither: 0 }, Z95);
    expect(mirrored?.low).toBeCloseTo(-1, 4);
    expect(mirrored?.high).toBeCloseTo(0.123, 4);
  });

  // The book's airway hyper-responsiveness before and after stem cell transplantation (Bentur et al. 2009), 1, 1, 7, 12:
  // -0.286 (-0.517 to -0.026), the figures from memory, the counts from the package's examples.
  test("agrees with the book for Bentur et al.", () => {
    const found = pairedScoreInterval({ both: 1, onlyA: 1, onlyB: 7, neither: 12 }, Z95);
    expect(found?.estimate).toBeCloseTo(-0.286, 3);
    expect(found?.low).toBeCloseTo(-0.517, 3);
    expect(found?.high).toBeCloseTo(-0.026, 3);
  });
});

// Newcombe, Statistics in Medicine 17 (1998) 873-890, table II, method 10: 56/70 less 48/80 is 0.0524 to 0.3339 (from memory).
test("Newcombe's interval agrees with his own table for two independent groups", () => {
  const found = unpairedDifference({ heard: 56, expected: 70 }, { heard: 48, expected: 80 }, Z95);
  expect(found?.low).toBeCloseTo(0.0524, 4);
  expect(found?.high).toBeCloseTo(0.3339, 4);
});

// Agresti, Categorical Data Analysis (1990), p. 350, approval of a prime minister: 150 and 86 changed their minds. The
// figures are the formula's, with and without R's continuity correction.
test("McNemar's test gives the published statistics of Agresti's approval ratings", () => {
  expect(mcnemar(150, 86, { continuity: false }).chi2).toBeCloseTo(17.3559, 4);
  expect(mcnemar(150, 86).chi2).toBeCloseTo(16.8178, 4);
});

// Hollander and Wolfe, Nonparametric Statistical Methods (1973), p. 29: depression scale factor of nine patients.
test("Wilcoxon's test and Hodges and Lehmann's shift agree with Hollander and Wolfe's depression data", () => {
  const before = [1.83, 0.5, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.3];
  const after = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29];
  const differences = before.map((value, i) => value - (after[i] ?? 0));
  const test = signedRank(differences, { alternative: "greater" });
  expect(test.vPlus).toBe(40);
  expect(test.p).toBeCloseTo(0.01953, 5);
  const shift = hodgesLehmann(differences);
  expect(shift.estimate).toBeCloseTo(0.46, 3);
  expect(shift.low).toBeCloseTo(0.01, 3);
  expect(shift.high).toBeCloseTo(0.786, 3);
});

describe("the bootstrap", () => {
  // Efron and Tibshirani, An Introduction to the Bootstrap (1993), tables 2.1 and 2.2: survival of mice, days. Standard
  // errors for many replicates: of the means 23.36 (treated) and 13.35 (control), of the medians 37.83 and 12.83. The
  // book draws at most 1,000 times itself; the tables are from memory.
  const treated = [94, 197, 16, 38, 99, 141, 23];
  const control = [52, 104, 146, 10, 51, 30, 40, 27, 46];
  const mean = (values: readonly number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;
  const middle = (values: readonly number[]) => median(values) ?? 0;
  test.each([
    ["mean, treated", treated, mean, 23.36],
    ["mean, control", control, mean, 13.35],
    ["median, treated", treated, middle, 37.83],
    ["median, control", control, middle, 12.83],
  ] as const)("agrees with the mouse data: %s", (_, values, of, published) => {
    const estimates = bootstrapEstimates(values, of, 4000, repeatableChance(7));
    expect(standardDeviation(estimates) / published).toBeGreaterThan(0.95);
    expect(standardDeviation(estimates) / published).toBeLessThan(1.05);
  });
});

describe("distributions", () => {
  // NIST/SEMATECH e-Handbook 1.3.6.7.2, critical values of Student's t at 0.975.
  test.each([
    [1, 12.706],
    [2, 4.303],
    [10, 2.228],
    [30, 2.042],
    [100, 1.984],
  ])("Student's t at 0.975 with %i degrees of freedom is %f", (degrees, published) => {
    expect(intervalT(0.95, degrees)).toBeCloseTo(published, 3);
    expect(studentTwoSidedP(published, degrees)).toBeCloseTo(0.05, 4);
  });

  // Abramowitz and Stegun 26.3.19: at the origin the bivariate normal is 1/4 + asin(rho) / (2 pi).
  test.each([-0.95, -0.5, 0.3, 0.9])("the bivariate normal at the origin with correlation %f", (rho) => {
    expect(bivariateNormalCdf(0, 0, rho)).toBeCloseTo(0.25 + Math.asin(rho) / (2 * Math.PI), 9);
  });
});

// Holm, Scandinavian Journal of Statistics 6 (1979): the step-down rule worked by hand for 0.01, 0.04, 0.03, 0.005.
test("Holm's adjusted p-values step down, keep their order and leave out what was not tested", () => {
  expect(
    holmAdjusted([0.01, 0.04, null, 0.03, 0.005]).map((p) => (p === null ? null : Number(p.toFixed(6)))),
  ).toEqual([0.03, 0.06, null, 0.06, 0.02]);
});
