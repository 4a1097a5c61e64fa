import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  clockDriftPpm,
  continuityAcross,
  leastDelayedEachMinute,
  TMST_PERIOD_US,
  TmstClock,
  unwrapTmst,
} from "../../src/radio/clock.ts";

const raw = (us: number): number => ((us % TMST_PERIOD_US) + TMST_PERIOD_US) % TMST_PERIOD_US;

describe("the concentrator counter", () => {
  it("unwraps to the true time for steps under 35 minutes, forwards or back", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.array(fc.integer({ min: -5_000_000, max: 2_000_000_000 }), { maxLength: 50 }),
        (start, steps) => {
          const truth = [start];
          for (const step of steps) {
            truth.push(truth[truth.length - 1]! + step);
          }
          expect(unwrapTmst(truth.map(raw))).toEqual(truth);
        },
      ),
    );
  });

  it("counts wraps over gaps of hours by the receiver's clock", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.array(fc.integer({ min: 0, max: 40_000_000_000 }), { maxLength: 20 }),
        fc.integer({ min: -20, max: 20 }),
        (start, gaps, ppm) => {
          const clock = new TmstClock();
          let counter = start;
          let monotonic = 5_000_000;
          expect(clock.read(raw(counter), monotonic).extendedUs).toBe(start);
          for (const gap of gaps) {
            counter += gap;
            monotonic += Math.round(gap * (1 + ppm / 1e6));
            expect(clock.read(raw(counter), monotonic)).toEqual({
              extendedUs: counter,
              epoch: 0,
              restarted: false,
            });
          }
        },
      ),
    );
  });

  it("begins a new epoch when the gateway restarts", () => {
    const clock = new TmstClock();
    clock.read(1_000_000_000, 0);
    expect(clock.read(35_000_000, 600_000_000)).toMatchObject({
      restarted: true,
      epoch: 1,
      extendedUs: 35_000_000,
    });
    expect(clock.read(36_000_000, 601_000_000)).toMatchObject({ restarted: false, epoch: 1 });
    expect(clock.restarts).toBe(1);
  });

  it("takes small steps back for frames out of order", () => {
    const clock = new TmstClock();
    clock.read(5_000_000, 0);
    expect(clock.read(4_200_000, 1000)).toMatchObject({ restarted: false, extendedUs: 4_200_000 });
  });
});

describe("continuity across a gap", () => {
  it("holds for a counter that ran on, whatever its start and the length of the gap", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.integer({ min: 0, max: 86_400_000_000 }),
        fc.integer({ min: -400_000, max: 400_000 }),
        (start, gapUs, jitterUs) => {
          const test = continuityAcross(
            { tmstUs: start, atUs: 1e15 },
            { tmstUs: raw(start + gapUs), atUs: 1e15 + gapUs + jitterUs },
          );
          expect(test.continuous).toBe(true);
          expect(test.residualUs).toBe(0 - jitterUs);
        },
      ),
    );
  });
});

describe("clock drift", () => {
  it("is found to a tenth of a part per million through one-sided network delay", () => {
    const readings = Array.from({ length: 7200 }, (_, i) => {
      const counterUs = i * 10_000_000;
      // Mostly quick, now and then late by up to 300 ms.
      const delayUs =
        (Math.imul(i, 2_654_435_761) >>> 0) % 10 === 0 ? ((i * 7919) % 300) * 1000 : (i * 31) % 900;
      return { counterUs, referenceUs: Math.round(counterUs / (1 + 4.5e-6)) + delayUs };
    });
    expect(clockDriftPpm(leastDelayedEachMinute(readings))).toBeCloseTo(4.5, 1);
  });

  it("is null without two moments", () => {
    expect(clockDriftPpm([])).toBeNull();
    expect(clockDriftPpm([{ counterUs: 1, referenceUs: 1 }])).toBeNull();
  });
});
