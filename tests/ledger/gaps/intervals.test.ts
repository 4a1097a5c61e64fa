import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { rhythmOf } from "../../../src/ledger/gaps/intervals.ts";

const middle = (values: readonly number[]) => {
  const sorted = [...values].sort((a, b) => a - b);
  const at = sorted.length >> 1;
  const upper = sorted[at] ?? 0;
  return sorted.length % 2 === 1 ? upper : ((sorted[at - 1] ?? 0) + upper) / 2;
};

describe("the rhythm of a node", () => {
  it("is periodic at a fifth exactly, and event-driven beyond it", () => {
    // Median 100; the distances from it are 0, 0, 0, 0 and five times 20 or 21: the middle one of nine.
    const rhythm = (off: number) =>
      rhythmOf([100, 100, 100, 100, 100 - off, 100 - off, 100 + off, 100 + off, 100 + off]);
    expect(rhythm(20)).toMatchObject({ medianUs: 100, isPeriodic: true });
    expect(rhythm(21)).toMatchObject({ medianUs: 100, isPeriodic: false });
  });

  it("is periodic where the middle distance of its intervals from their middle is a fifth of that at most", () => {
    const steps = fc.array(
      fc.oneof(fc.integer({ min: 1, max: 60 }), fc.double({ min: 1, max: 60, noNaN: true })),
      {
        minLength: 8,
        maxLength: 80,
      },
    );
    fc.assert(
      fc.property(steps, (intervals) => {
        const medianUs = middle(intervals);
        const spread = middle(intervals.map((one) => Math.abs(one - medianUs)));
        expect(rhythmOf(intervals)).toMatchObject({ medianUs, isPeriodic: spread <= 0.2 * medianUs });
        expect(rhythmOf(Float64Array.from(intervals).sort())).toMatchObject({
          medianUs,
          isPeriodic: spread <= 0.2 * medianUs,
        });
      }),
    );
  });
});
