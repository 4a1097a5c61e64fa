import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { IntervalUnion } from "../../src/radio/occupancy.ts";
import { sumUs, unionUs } from "../published/formulas.ts";

/** Random schedules on a small axis, so that a brute-force count of busy microseconds is possible. */
const schedule = fc.array(
  fc
    .tuple(fc.integer({ min: -20, max: 220 }), fc.integer({ min: -3, max: 40 }))
    .map(([startUs, length]) => ({ startUs, endUs: startUs + length })),
  { maxLength: 40 },
);
const window = { fromUs: 0, toUs: 200 };

function busyByBruteForce(intervals: readonly { startUs: number; endUs: number }[]): number {
  let busy = 0;
  for (let us = window.fromUs; us < window.toUs; us += 1) {
    busy += intervals.some((i) => i.startUs <= us && us < i.endUs) ? 1 : 0;
  }
  return busy;
}

describe("utilisation", () => {
  it("equals a count of busy microseconds on random schedules", () => {
    fc.assert(
      fc.property(schedule, (intervals) => {
        expect(unionUs(intervals, window)).toBe(busyByBruteForce(intervals));
      }),
      { numRuns: 300 },
    );
  });

  it("is never more than the sum of airtimes, nor than the window", () => {
    fc.assert(
      fc.property(schedule, (intervals) => {
        const union = unionUs(intervals, window);
        expect(union).toBeLessThanOrEqual(sumUs(intervals, window));
        expect(union).toBeLessThanOrEqual(200);
      }),
    );
  });
});

describe("a growing union", () => {
  it("measures the same in any order of insertion, and reports growth that adds up", () => {
    fc.assert(
      fc.property(schedule, fc.integer(), (intervals, seed) => {
        const ordered = new IntervalUnion();
        let grown = 0;
        for (const { startUs, endUs } of intervals) {
          const growth = ordered.add(startUs, endUs);
          expect(growth).toBeGreaterThanOrEqual(0);
          grown += growth;
        }
        const shuffled = new IntervalUnion();
        const order = intervals.map((interval, i) => ({ interval, key: Math.imul(i + 1, seed | 1) }));
        for (const { interval } of order.sort((a, b) => a.key - b.key)) {
          shuffled.add(interval.startUs, interval.endUs);
        }
        expect(ordered.totalUs).toBe(grown);
        expect(shuffled.totalUs).toBe(grown);
      }),
      { numRuns: 300 },
    );
  });

  it("counts nothing twice when the same interval is added again", () => {
    const union = new IntervalUnion();
    expect(union.add(10, 30)).toBe(20);
    expect(union.add(10, 30)).toBe(0);
    expect(union.add(30, 40)).toBe(10);
  });

  it("keeps exact microseconds since 1970", () => {
    const union = new IntervalUnion();
    const at = 1_790_000_000_000_000;
    expect(union.add(at, at + 61_696)).toBe(61_696);
    expect(union.add(at + 61_695, at + 61_700)).toBe(4);
  });
});
