import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { dutyCycleOf, peakHour } from "../../src/radio/occupancy.ts";

/** One transmitter never overlaps itself: gaps and lengths, in a toy period of 100. */
const schedule = fc
  .array(fc.tuple(fc.integer({ min: 0, max: 60 }), fc.integer({ min: 1, max: 30 })), {
    minLength: 1,
    maxLength: 15,
  })
  .map((steps) => {
    let at = 0;
    return steps.map(([gap, airtimeUs]) => {
      const startUs = at + gap;
      at = startUs + airtimeUs;
      return { startUs, airtimeUs };
    });
  });

function usedByBruteForce(list: readonly { startUs: number; airtimeUs: number }[], untilUs: number): number {
  let used = 0;
  for (const t of list) {
    used += Math.max(0, Math.min(t.startUs + t.airtimeUs, untilUs) - Math.max(t.startUs, untilUs - 100));
  }
  return used;
}

describe("the sliding hour", () => {
  it("finds the fullest window that a search of all windows finds", () => {
    fc.assert(
      fc.property(schedule, (list) => {
        const last = list[list.length - 1]!;
        let most = 0;
        for (let until = 0; until <= last.startUs + last.airtimeUs + 100; until += 1) {
          most = Math.max(most, usedByBruteForce(list, until));
        }
        const peak = peakHour(list, 100)!;
        expect(peak.airtimeUs).toBe(most);
        expect(usedByBruteForce(list, peak.untilUs)).toBe(most);
      }),
    );
  });

  it("is exact with microseconds since 1970", () => {
    const startUs = 1_790_000_000_123_457;
    const frames = Array.from({ length: 500 }, (_, i) => ({
      startUs: startUs + i * 60_000_000,
      airtimeUs: 1_318_912,
    }));
    expect(peakHour(frames)?.airtimeUs).toBe(60 * 1_318_912);
  });

  it("is the first of several that are as full, and its end that of the frame that fills it", () => {
    const at = (...starts: number[]) => starts.map((startUs) => ({ startUs, airtimeUs: 10 }));
    expect(peakHour(at(0, 20, 500, 520), 100)).toEqual({ airtimeUs: 20, untilUs: 30 });
    expect(peakHour(at(0, 20), 100)?.airtimeUs).toBe(20);
  });

  it("is null without transmissions", () => {
    expect(peakHour([])).toBeNull();
  });

  it("gives a lower bound, and an estimate where the delivery ratio is known", () => {
    expect(dutyCycleOf(18_000_000, 0.5)).toEqual({ atLeast: 0.005, estimate: 0.01 });
    expect(dutyCycleOf(18_000_000, null).estimate).toBeNull();
    expect(dutyCycleOf(18_000_000, 0).estimate).toBeNull();
  });
});
