/**
 * Published numbers for places and losses.
 * Geodesic legs: one minute of arc is 1,842.9 m along the meridian at the equator and 1,855.3 m along the equator
 * (WGS 84: Bomford, Geodesy, table of lengths of a degree, from memory: 110,574 m and 111,320 m a degree).
 * Log-distance: data made from the coefficients of the Oulu campaign (Petäjäjärvi et al. 2015: n 2.32, PL0 128.95 dB
 * at 1 km) give them back. Free space: ITU-R P.525-4, equation 4: 32.4 + 20 log f + 20 log d.
 */
import { describe, expect, it } from "vitest";
import {
  anchorOf,
  fitLogDistance,
  freeSpaceLossDb,
  geodesicM,
  LOG_DISTANCE_OULU,
  linkDistanceM,
  logDistanceLossDb,
  planPoint,
} from "../../src/radio/geometry.ts";

import { createRandom, normal } from "../../src/simulate/time-and-chance.ts";

const degrees = (latitudeDeg: number, longitudeDeg: number) => ({
  latitudeDeg,
  longitudeDeg,
  eastM: null,
  northM: null,
  heightM: null,
});
const metres = (eastM: number, northM: number) => ({
  latitudeDeg: null,
  longitudeDeg: null,
  eastM,
  northM,
  heightM: null,
});

describe("a plan", () => {
  it("lays degrees flat with the published lengths of a degree", () => {
    const anchor = anchorOf([{ ...degrees(0, 0), eastM: 0, northM: 0 }]);
    expect(planPoint(degrees(0, 0.01), anchor)?.eastM).toBeCloseTo(1113.2, 1);
    expect(planPoint(degrees(0.01, 0), anchor)?.northM).toBeCloseTo(1105.74, 1);
    expect(planPoint(degrees(0, -0.01), anchor)?.eastM).toBeCloseTo(-1113.2, 1);
    // 55,800 m a degree of longitude at 60° north (from memory).
    const north = anchorOf([{ ...degrees(60, 10), eastM: 0, northM: 0 }]);
    expect(planPoint(degrees(60, 10.01), north)?.eastM).toBeCloseTo(558, 0);
  });

  it("crosses the date line the short way", () => {
    const anchor = anchorOf([{ ...degrees(0, 179.99), eastM: 0, northM: 0 }]);
    expect(planPoint(degrees(0, -179.99), anchor)?.eastM).toBeCloseTo(2226.4, 0);
  });

  it("agrees with the distance on the ellipsoid over a site's extent", () => {
    const given = [degrees(0.1204, -0.5417), degrees(0.1251, -0.5368)];
    const anchor = anchorOf(given);
    const [a, b] = given.map((one) => planPoint(one, anchor)!);
    const flat = Math.hypot(a!.eastM - b!.eastM, a!.northM - b!.northM);
    expect(Math.abs(flat - linkDistanceM(given[0]!, given[1]!, anchor)!)).toBeLessThan(0.1);
  });

  it("takes nothing of a place that is half given", () => {
    const none = { latitudeDeg: null, longitudeDeg: null, eastM: null, northM: null, heightM: null };
    const halves = [
      { ...none, latitudeDeg: 1 },
      { ...none, longitudeDeg: 1 },
      { ...none, eastM: 1 },
      { ...none, northM: 1 },
    ];
    for (const half of halves) {
      expect(anchorOf([half])).toBeNull();
      expect(planPoint(half, anchorOf([degrees(0, 0)]))).toBeNull();
      expect(linkDistanceM(half, degrees(0, 0), anchorOf([degrees(0, 0)]))).toBeNull();
    }
    // A half does not stand in the way of the others: the middle of two is at 0, 0.
    expect(anchorOf([...halves.slice(0, 2), degrees(10, 20), degrees(20, 50)])).toEqual({
      place: { latitudeDeg: 15, longitudeDeg: 35 },
      at: { eastM: 0, northM: 0 },
    });
  });

  it("joins metres and degrees only where one thing is given in both", () => {
    expect(anchorOf([degrees(1, 1), metres(0, 0)])).toBeNull();
    expect(linkDistanceM(degrees(1, 1), metres(0, 0), null)).toBeNull();
    const tied = { ...degrees(0, 0), eastM: 100, northM: 50 };
    const anchor = anchorOf([degrees(1, 1), metres(0, 0), tied]);
    expect(planPoint(degrees(0, 0.01), anchor)?.eastM).toBeCloseTo(1213.2, 1);
    expect(linkDistanceM(metres(100, 50), tied, anchor)).toBe(0);
    expect(linkDistanceM(metres(0, 0), metres(300, 400), null)).toBe(500);
    expect(
      linkDistanceM({ ...metres(0, 0), heightM: 1 }, { ...metres(300, 400), heightM: 121 }, null),
    ).toBeCloseTo(514.2, 1);
  });
});

describe("a log-distance fit", () => {
  it("gives back the coefficients of a published campaign, with intervals that hold them", () => {
    const random = createRandom(4, "shadowing");
    let held = 0;
    const rounds = 40;
    for (let round = 0; round < rounds; round += 1) {
      const links = Array.from({ length: 12 }, (_, i) => {
        const distanceM = 150 * 1.35 ** i;
        return { distanceM, lossDb: logDistanceLossDb(distanceM, LOG_DISTANCE_OULU) + 7.8 * normal(random) };
      });
      const fit = fitLogDistance(links)!;
      const [low, high] = fit.exponentInterval95;
      if (low <= 2.32 && 2.32 <= high) held += 1;
      expect(fit.sigmaInterval95[0]).toBeLessThan(fit.sigmaDb);
    }
    expect(held / rounds).toBeGreaterThanOrEqual(0.9);
    const exact = [200, 400, 800, 1600, 3200].map((distanceM) => ({
      distanceM,
      lossDb: logDistanceLossDb(distanceM, LOG_DISTANCE_OULU),
    }));
    const fit = fitLogDistance(exact)!;
    expect(fit.exponent).toBeCloseTo(2.32, 9);
    expect(fit.referenceLossDb + 23.2 * Math.log10(1000 / fit.referenceDistanceM)).toBeCloseTo(128.95, 9);
    expect(fit.sigmaDb).toBeCloseTo(0, 9);
  });

  it("says nothing from four links, nor from links of one distance", () => {
    const at = (distanceM: number) => ({ distanceM, lossDb: 100 });
    expect(fitLogDistance([100, 200, 400, 800].map(at))).toBeNull();
    expect(fitLogDistance([100, 110, 120, 150, 290].map(at))).toBeNull();
    expect(fitLogDistance([100, 110, 120, 150, 310].map(at))).not.toBeNull();
    expect(fitLogDistance([])).toBeNull();
  });

  it("counts free space as an exponent of 2", () => {
    const links = [100, 200, 400, 800, 1600].map((distanceM) => ({
      distanceM,
      lossDb: freeSpaceLossDb(distanceM, 868e6),
    }));
    expect(fitLogDistance(links)!.exponent).toBeCloseTo(2, 9);
    expect(freeSpaceLossDb(1000, 868e6)).toBeCloseTo(32.4 + 20 * Math.log10(868), 0);
  });
});

describe("a geodesic on WGS 84", () => {
  it("of 9,398 km is that of C. Karney's test set for geodesics (GeodTest.dat, first line; from memory)", () => {
    const from = { latitudeDeg: 36.530042355041, longitudeDeg: 0 };
    const to = { latitudeDeg: -48.16427077909777, longitudeDeg: 5.762344694676511 };
    expect(geodesicM(from, to)).toBeCloseTo(9_398_502.0434687, 3);
    expect(geodesicM(to, from)).toBeCloseTo(9_398_502.0434687, 3);
  });
});
