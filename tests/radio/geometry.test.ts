/**
 * Losses worked by hand. Quantiles of Student's t and of chi-square with 3 degrees of freedom: NIST/SEMATECH e-Handbook,
 * 1.3.6.7.2 and 1.3.6.7.4 (t 0.975: 3.182; chi-square 0.975: 9.348, 0.025: 0.216).
 */
import { describe, expect, it } from "vitest";
import { excessLossDb, fitLogDistance } from "../../src/radio/geometry.ts";
import { fresnelRadiusM, hataLoss } from "../published/formulas.ts";

describe("the fit of losses over distance", () => {
  // log10 of the distances: 0, 1, 2, 3, 4; middle 2, so d0 = 100 m and x = 10 × (log10 d − 2) = −20, −10, 0, 10, 20.
  const links = [60, 82, 100, 118, 140].map((lossDb, i) => ({ distanceM: 10 ** i, lossDb }));

  it("gives exponent, reference, scatter and their intervals", () => {
    const fit = fitLogDistance(links);
    expect(fit).toMatchObject({ links: 5, fromM: 1, toM: 10_000 });
    expect(fit?.referenceDistanceM).toBeCloseTo(100, 9);
    // Σxy = −20 × 60 − 10 × 82 + 10 × 118 + 20 × 140 = 1 960; Σx² = 1 000.
    expect(fit?.exponent).toBeCloseTo(1.96, 9);
    expect(fit?.referenceLossDb).toBeCloseTo(100, 9);
    // Residuals −0.8, 1.6, 0, −1.6, 0.8: squares 6.4, over 3 degrees of freedom.
    expect(fit?.sigmaDb).toBeCloseTo(Math.sqrt(6.4 / 3), 9);
    // t × σ / √1000 = 3.182 × 1.4606 / 31.623 = 0.1470; t × σ / √5 = 2.0785.
    expect(fit?.exponentInterval95[0]).toBeCloseTo(1.96 - 0.147, 3);
    expect(fit?.exponentInterval95[1]).toBeCloseTo(1.96 + 0.147, 3);
    expect(fit?.referenceLossInterval95[0]).toBeCloseTo(100 - 2.0788, 3);
    expect(fit?.referenceLossInterval95[1]).toBeCloseTo(100 + 2.0788, 3);
    // √(6.4 / 9.348), √(6.4 / 0.2158)
    expect(fit?.sigmaInterval95[0]).toBeCloseTo(0.8274, 3);
    expect(fit?.sigmaInterval95[1]).toBeCloseTo(5.4459, 3);
  });

  it("leaves out links without a distance or a loss", () => {
    const broken = [
      { distanceM: 0, lossDb: 50 },
      { distanceM: -5, lossDb: 50 },
      { distanceM: 500, lossDb: Number.POSITIVE_INFINITY },
      { distanceM: 500, lossDb: Number.NaN },
    ];
    expect(fitLogDistance([...broken, ...links])).toEqual(fitLogDistance(links));
    expect(fitLogDistance([...broken, ...links.slice(1)])).toBeNull();
  });

  it("takes distances from three times apart on", () => {
    const at = (distanceM: number) => ({ distanceM, lossDb: 100 });
    expect(fitLogDistance([100, 110, 120, 150, 300].map(at))).not.toBeNull();
    expect(fitLogDistance([100, 110, 120, 150, 299].map(at))).toBeNull();
  });
});

describe("Hata's formula", () => {
  const input = {
    distanceM: 1000,
    frequencyHz: 1e9,
    baseHeightM: 100,
    mobileHeightM: 1,
    environment: "urban-small" as const,
  };

  it("at 1 km and 1,000 MHz, base 100 m, mobile 1 m", () => {
    // a = (1.1 × 3 − 0.7) × 1 − (1.56 × 3 − 0.8) = −1.28; 69.55 + 26.16 × 3 − 13.82 × 2 + 1.28 + 0 (log of 1 km)
    expect(hataLoss(input).lossDb).toBeCloseTo(121.67, 9);
    // Ten kilometres: + (44.9 − 6.55 × 2) × 1
    expect(hataLoss({ ...input, distanceM: 10_000 }).lossDb).toBeCloseTo(121.67 + 31.8, 9);
    // Suburban: − 2 log²(1000 / 28) − 5.4 with log = 1.552842; open: − 4.78 × 9 + 18.33 × 3 − 40.94
    expect(hataLoss({ ...input, environment: "suburban" }).lossDb).toBeCloseTo(121.67 - 4.822636 - 5.4, 5);
    expect(hataLoss({ ...input, environment: "open" }).lossDb).toBeCloseTo(121.67 - 28.97, 9);
    // Large city: a = 3.2 log²(11.75) − 4.97 with log = 1.0700379: −1.306061
    expect(hataLoss({ ...input, environment: "urban-large" }).lossDb).toBeCloseTo(120.39 + 1.306061, 5);
  });

  it("holds from 150 to 1500 MHz, base 30 to 200 m, mobile 1 to 10 m, 1 to 20 km, the ends included", () => {
    const ends = [
      { frequencyHz: [150e6, 1500e6] },
      { baseHeightM: [30, 200] },
      { mobileHeightM: [1, 10] },
      { distanceM: [1000, 20_000] },
    ];
    for (const end of ends)
      for (const [field, [low = 0, high = 0]] of Object.entries(end)) {
        const isIn = (value: number) => hataLoss({ ...input, [field]: value }).inDomain;
        expect([low, high, 0.999 * low, 1.001 * high].map(isIn), field).toEqual([true, true, false, false]);
      }
  });
});

describe("a path", () => {
  it("has a first Fresnel zone of 8.6 m midway of 1 km at 1 GHz, the second √2 as wide", () => {
    // √(0.299792458 × 500 × 500 / 1000) = √74.948
    expect(fresnelRadiusM(500, 500, 1e9)).toBeCloseTo(8.6573, 3);
    expect(fresnelRadiusM(500, 500, 1e9, 2)).toBeCloseTo(8.6573 * Math.SQRT2, 3);
    // √(0.299792458 × 100 × 900 / 1000)
    expect(fresnelRadiusM(100, 900, 1e9)).toBeCloseTo(5.1944, 3);
  });

  it("loses beyond free space what power, gains and signal leave over", () => {
    const link = { transmitPowerDbm: 14, antennaGainsDbi: 5, signalPowerDbm: -100 };
    // Free space at 1 km and 299.792458 MHz (1 m): 20 log10(4π × 1000) = 81.984
    expect(excessLossDb(link, 1000, 299_792_458)).toBeCloseTo(119 - 81.984, 3);
  });
});
