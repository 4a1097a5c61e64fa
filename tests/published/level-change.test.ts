/**
 * Published numbers for the search for a change of level.
 * Nile: annual flow at Aswan 1871 to 1970, 10^8 m³ (R data set `Nile`; Cobb, Biometrika 65 (1978) 243-251: the level
 * fell between 1898 and 1899). OLS-CUSUM test of the same data: S0 = 2.9518, p = 5.409e-08 (help page of the R package
 * strucchange, `efp`, from memory; reproduced here to the printed digits).
 */
import { describe, expect, it } from "vitest";
import { largestSum } from "../../src/statistics/level-shifts.ts";
import { bridgeTail } from "../../src/statistics/rank-tests.ts";
import { bestCut } from "../../src/statistics/step-fit.ts";

const NILE = [
  1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958,
  1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020,
  1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040,
  759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
  744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
];

describe("a change of level", () => {
  it("of the Nile lies after the 28th year, 1898", () => {
    expect(NILE).toHaveLength(100);
    expect(bestCut(NILE, { first: 3, last: 97 })).toBe(28);
    const mean = (values: number[]) => values.reduce((a, b) => a + b, 0) / values.length;
    // Zeileis, Kleiber, Krämer, Hornik (2003), Computational Statistics and Data Analysis 44, section 4 (from memory).
    expect(mean(NILE.slice(0, 28))).toBeCloseTo(1097.75, 2);
    expect(mean(NILE.slice(28))).toBeCloseTo(849.97, 2);
  });

  it("of the Nile has the published statistic of the CUSUM test", () => {
    const mean = NILE.reduce((a, b) => a + b, 0) / 100;
    const sigma = Math.sqrt(NILE.reduce((sum, value) => sum + (value - mean) ** 2, 0) / 99);
    const statistic = largestSum(NILE) / (sigma * 10);
    expect(statistic).toBeCloseTo(2.9518, 4);
    expect(bridgeTail(statistic) / 5.409e-8).toBeCloseTo(1, 3);
  });

  it("has the tail of the Kolmogorov distribution at its tabled limits", () => {
    // Smirnov 1948 (from memory): 10 %, 5 %, 1 %.
    expect(bridgeTail(1.224)).toBeCloseTo(0.1, 3);
    expect(bridgeTail(1.358)).toBeCloseTo(0.05, 3);
    expect(bridgeTail(1.628)).toBeCloseTo(0.01, 3);
    expect(bridgeTail(0.1)).toBe(1);
  });
});
