import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { pooledTheilSen, theilSen } from "../../src/statistics/theil-sen.ts";

const height = fc.double({ min: -100, max: 100, noNaN: true });

describe("the slope of several stretches", () => {
  it("is Theil and Sen's, with Sen's interval, for one stretch without ties", () => {
    fc.assert(
      fc.property(fc.uniqueArray(height, { minLength: 2, maxLength: 30 }), (heights) => {
        const points = heights.map((y, x) => ({ x, y }));
        const { slope, low, high, pairs } = theilSen(points);
        expect(pooledTheilSen([points])).toEqual({ slope, low, high, pairs });
      }),
    );
  });

  it("does not depend on the height at which each stands", () => {
    fc.assert(
      fc.property(
        fc.array(height, { minLength: 3, maxLength: 20 }),
        fc.integer({ min: -9, max: 9 }),
        (ys, lift) => {
          const points = ys.map((y, x) => ({ x, y: Math.round(y) }));
          const lifted = points.map(({ x, y }) => ({ x: x + 1000, y: y + 512 * lift }));
          expect(pooledTheilSen([points, lifted])?.slope).toBe(pooledTheilSen([points, points])?.slope);
        },
      ),
    );
  });

  it("is none without two moments in any stretch, and refuses what it could not compare in time", () => {
    expect(pooledTheilSen([])).toBeNull();
    expect(pooledTheilSen([[{ x: 1, y: 1 }], [{ x: 2, y: 5 }]])).toBeNull();
    const many = Array.from({ length: 2001 }, (_, x) => ({ x, y: x }));
    expect(() => pooledTheilSen([many])).toThrow(RangeError);
  });
});
