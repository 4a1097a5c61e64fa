import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { medianInPlace, selectAt } from "../../src/statistics/robust.ts";

const values = fc.oneof(
  fc.array(fc.integer({ min: -5, max: 5 }), { minLength: 1, maxLength: 1500 }),
  fc.array(fc.double({ noNaN: true, noDefaultInfinity: true }), { minLength: 1, maxLength: 1500 }),
);

describe("the value at a place in order", () => {
  it("is that of the sorted values, with no larger one before it and no smaller one behind", () => {
    fc.assert(
      fc.property(values, fc.nat(), (list, n) => {
        const place = n % list.length;
        const sorted = Float64Array.from(list).sort();
        const moved = Float64Array.from(list);
        const found = selectAt(moved, place);
        expect(found).toBe(sorted[place]);
        expect(moved.subarray(0, place).every((one) => one <= found)).toBe(true);
        expect(moved.subarray(place).every((one) => one >= found)).toBe(true);
        expect(moved.sort()).toEqual(sorted);
      }),
      { numRuns: 200 },
    );
  });

  it("is the middle one, or halfway between two", () => {
    expect(medianInPlace(Float64Array.of(3, 1, 2))).toBe(2);
    expect(medianInPlace(Float64Array.of(4, 1, 3, 2))).toBe(2.5);
    expect(medianInPlace(Float64Array.of(7))).toBe(7);
    expect(medianInPlace(new Float64Array(0))).toBe(0);
  });
});
