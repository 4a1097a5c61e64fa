import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  counterLines,
  counterStandstill,
  type LineReading,
  returnsToLeft,
} from "../../src/ledger/concentrator-time.ts";
import { TMST_PERIOD_US } from "../../src/radio/clock.ts";

const START_US = 1_773_478_800_000_000;

/** A packet `atS` seconds after the start of a counter that stood at `startUs` then and runs `ppm` fast. */
function at(atS: number, startUs: number, ppm = 0, lateS = 0): LineReading {
  const raw = Math.round(startUs + atS * 1e6 * (1 + ppm / 1e6));
  return {
    tmstUs: ((raw % TMST_PERIOD_US) + TMST_PERIOD_US) % TMST_PERIOD_US,
    atUs: START_US + Math.round((atS + lateS) * 1e6),
  };
}

describe("the counters under one identifier", () => {
  it("are one, whichever way it drifts and however often it wraps", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.integer({ min: -80, max: 80 }),
        fc.array(fc.double({ min: 0, max: 9_000, noNaN: true }), { minLength: 3, maxLength: 40 }),
        (startUs, ppm, steps) => {
          let atS = 0;
          const readings = steps.map((step) => {
            atS += step;
            return at(atS, startUs, ppm);
          });
          expect(counterLines(readings)).toMatchObject({ lines: 1, returns: 0, reordered: 0 });
        },
      ),
    );
  });

  it("are two in turn when two gateways use it", () => {
    const readings = Array.from({ length: 40 }, (_, i) => at(i * 15, i % 3 === 0 ? 5e6 : 2_100e6));
    const told = counterLines(readings);
    expect(told).toMatchObject({ readings: 40, lines: 2 });
    expect(told.returns).toBeGreaterThan(20);
  });

  it("are two without a return when one gateway restarted", () => {
    const readings = Array.from({ length: 40 }, (_, i) => (i < 20 ? at(i * 15, 900e6) : at(i * 15, -290e6)));
    expect(counterLines(readings)).toMatchObject({ lines: 2, returns: 0 });
  });

  it("do not multiply by a single packet that came half a minute late", () => {
    const readings = Array.from({ length: 40 }, (_, i) => at(i * 15, 900e6, 0, i === 20 ? 30 : 0));
    expect(counterLines(readings)).toMatchObject({ lines: 1, returns: 0 });
  });

  it("show a datagram that was overtaken, and not the disorder within one", () => {
    const overtaken = [at(0, 0), at(10, 0), at(11, 0), at(10.5, 0, 0, 0.6), at(40, 0)];
    expect(counterLines(overtaken).reordered).toBe(1);
    // Much later, and dated back when it came.
    expect(counterLines([at(0, 0), at(10, 0), at(30, 0), at(20, 0), at(40, 0)]).reordered).toBe(1);
    expect(counterLines([at(0, 0), at(10, 0), at(9.99, 0, 0, 0.01)]).reordered).toBe(0);
  });

  it("stay bounded however many a stranger invents", () => {
    const readings = Array.from({ length: 2_000 }, (_, i) => at(i, i * 10e6));
    expect(counterLines(readings)).toMatchObject({ lines: 0, returns: 0 });
  });
});

describe("a counter that was left", () => {
  it("is known again when a second board's packet was between, and a new one is not", () => {
    const left: LineReading[] = [];
    const [a, b, again, fresh] = [at(0, 5e6), at(15, 2_100e6), at(30, 5e6), at(45, -40e6)] as const;
    expect(returnsToLeft(left, a, b)).toBe(false);
    expect(returnsToLeft(left, b, again)).toBe(true);
    expect(returnsToLeft(left, again, fresh)).toBe(false);
    expect(returnsToLeft(left, fresh, at(60, -40e6))).toBe(false);
  });

  it("is forgotten when more boards than share an identifier came since", () => {
    const left: LineReading[] = [];
    const boards = Array.from({ length: 7 }, (_, i) => at(i * 15, i * 300e6));
    for (const [i, board] of boards.slice(1).entries()) returnsToLeft(left, boards[i]!, board);
    expect(left).toHaveLength(4);
  });
});

describe("a counter that stands still", () => {
  it("is found with its packets and its time", () => {
    const stuck = [0, 1, 2, 3, 4].map((atS) => ({ ...at(atS, 0), tmstUs: 77 }));
    expect(counterStandstill([at(-10, 0), ...stuck])).toEqual({ packets: 5, seconds: 4, tmstUs: 77 });
  });

  it("is the one with the most packets, also when a shorter one follows", () => {
    const still = (fromS: number, packets: number, tmstUs: number) =>
      Array.from({ length: packets }, (_, i) => ({ ...at(fromS + i, 0), tmstUs }));
    const readings = [...still(0, 5, 77), ...still(20, 3, 99)];
    expect(counterStandstill(readings)).toEqual({ packets: 5, seconds: 4, tmstUs: 77 });
  });

  it("takes 2 s on one count", () => {
    const two = (apartS: number) => [at(0, 0), at(apartS, 0)].map((one) => ({ ...one, tmstUs: 5 }));
    expect(counterStandstill(two(1.999))).toBeNull();
    expect(counterStandstill(two(2))).toEqual({ packets: 2, seconds: 2, tmstUs: 5 });
  });

  it("is none when two antennas hear one packet, or time goes on with it", () => {
    expect(counterStandstill([at(0, 0), at(0, 0), at(5, 0), at(5, 0)])).toBeNull();
  });
});
