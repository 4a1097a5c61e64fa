import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
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

  it("takes few looks at each value: pivots of a long list come from a sample about the place", () => {
    // Floyd and Rivest compare n + min(place, n - place) values, a look or two each; a pivot taken as it lies twice as many.
    const random = createRandom(3);
    const count = 20_001;
    const drawn = Array.from({ length: count }, () => random.uniform());
    const looks = (list: readonly number[], share: number) => {
      let looked = 0;
      const counting = new Proxy(Float64Array.from(list), {
        get: (target, key) => {
          looked += 1;
          return Reflect.get(target, key) as unknown;
        },
      });
      selectAt(counting, Math.floor(share * count), 0, count - 1);
      return looked / count;
    };
    expect(looks(drawn, 0.5)).toBeLessThan(3.1);
    expect(looks(drawn, 0.1)).toBeLessThan(2.3);
    expect(looks(drawn, 0.9)).toBeLessThan(2.1);
    // Rising, then falling: what lies at the middle place is the largest of all.
    const organ = Array.from({ length: count }, (_, i) => Math.min(i, count - i));
    expect(looks(organ, 0.5)).toBeLessThan(10);
  });

  it("is the middle one, or halfway between two", () => {
    expect(medianInPlace(Float64Array.of(3, 1, 2))).toBe(2);
    expect(medianInPlace(Float64Array.of(4, 1, 3, 2))).toBe(2.5);
    expect(medianInPlace(Float64Array.of(7))).toBe(7);
    expect(medianInPlace(new Float64Array(0))).toBe(0);
  });
});
