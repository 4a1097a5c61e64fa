import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { erlangB, successAmongMixedTraffic } from "../../src/radio/collisions.ts";
import { excessLossDb, freeSpaceLossDb, geodesicM, haversineM } from "../../src/radio/geometry.ts";
import { hataLoss, loadFromCollisionShare, pureAlohaLoss } from "../published/formulas.ts";

describe("collisions", () => {
  it("load and loss are inverse to each other", () => {
    fc.assert(
      fc.property(fc.double({ min: 0, max: 2, noNaN: true }), (load) => {
        expect(loadFromCollisionShare(pureAlohaLoss(load))).toBeCloseTo(load, 9);
      }),
    );
    expect(loadFromCollisionShare(1)).toBeNull();
    expect(loadFromCollisionShare(-0.1)).toBeNull();
  });

  it("among frames of equal length the mixed formula is pure ALOHA", () => {
    const airtimeUs = 100_000;
    const framesPerHour = 3600;
    const load = (framesPerHour * airtimeUs) / 3_600_000_000;
    expect(successAmongMixedTraffic(airtimeUs, [{ framesPerHour, airtimeUs }])).toBeCloseTo(
      1 - pureAlohaLoss(load),
      12,
    );
  });
});

describe("demodulator blocking", () => {
  it("rises with load, falls with demodulators and stays a probability", () => {
    fc.assert(
      fc.property(
        fc.double({ min: 0, max: 50, noNaN: true }),
        fc.integer({ min: 1, max: 16 }),
        (load, servers) => {
          const blocking = erlangB(load, servers);
          expect(blocking).toBeGreaterThanOrEqual(0);
          expect(blocking).toBeLessThan(1);
          expect(erlangB(load + 0.5, servers)).toBeGreaterThan(blocking);
          expect(erlangB(load, servers + 1)).toBeLessThanOrEqual(blocking);
        },
      ),
    );
  });
});

describe("paths", () => {
  it("lose 6 dB in free space for each doubling of the distance", () => {
    expect(freeSpaceLossDb(2000, 868e6) - freeSpaceLossDb(1000, 868e6)).toBeCloseTo(6.0206, 4);
  });

  it("say when a question lies outside Hata's domain", () => {
    const input = {
      distanceM: 5000,
      frequencyHz: 868e6,
      baseHeightM: 30,
      mobileHeightM: 1.5,
      environment: "open" as const,
    };
    expect(hataLoss(input).inDomain).toBe(true);
    expect(hataLoss({ ...input, baseHeightM: 8 }).inDomain).toBe(false);
    expect(hataLoss(input).lossDb).toBeLessThan(hataLoss({ ...input, environment: "suburban" }).lossDb);
  });

  it("have an excess loss over free space", () => {
    const link = { transmitPowerDbm: 14, antennaGainsDbi: 2, signalPowerDbm: -105 };
    expect(excessLossDb(link, 1000, 868e6)).toBeCloseTo(14 + 2 + 105 - 91.218, 2);
  });

  it("are as long on the ellipsoid as on the sphere within 0.6 %, and null for opposite places", () => {
    const place = fc.record({
      latitudeDeg: fc.double({ min: -80, max: 80, noNaN: true }),
      longitudeDeg: fc.double({ min: -180, max: 180, noNaN: true }),
    });
    fc.assert(
      fc.property(place, place, (a, b) => {
        const sphere = haversineM(a, b);
        fc.pre(sphere > 1 && sphere < 19_000_000);
        expect(Math.abs((geodesicM(a, b) ?? 0) / sphere - 1)).toBeLessThan(0.006);
      }),
    );
    const here = { latitudeDeg: 10, longitudeDeg: 20 };
    expect(geodesicM(here, here)).toBe(0);
    expect(
      geodesicM({ latitudeDeg: 0, longitudeDeg: 0 }, { latitudeDeg: 0.5, longitudeDeg: 179.7 }),
    ).toBeNull();
    // Along the equator a degree is a * pi / 180
    expect(geodesicM({ latitudeDeg: 0, longitudeDeg: 0 }, { latitudeDeg: 0, longitudeDeg: 1 })).toBeCloseTo(
      111_319.491,
      3,
    );
  });
});
