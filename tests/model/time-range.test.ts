import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { contains, intersect, subtract, type TimeRange, totalUs, unite } from "../../src/model/time-range.ts";

const ranges = fc
  .array(fc.record({ fromUs: fc.integer({ min: 0, max: 60 }), length: fc.integer({ min: 0, max: 9 }) }), {
    maxLength: 12,
  })
  .map((list) => unite(list.map(({ fromUs, length }) => ({ fromUs, toUs: fromUs + length }))));

/** The moments 0 to 80 that lie in a list, the plain way. */
function moments(list: readonly TimeRange[]): number[] {
  return Array.from({ length: 81 }, (_, at) => at).filter((at) =>
    list.some(({ fromUs, toUs }) => at >= fromUs && at < toUs),
  );
}

describe("time ranges", () => {
  it("join when they touch, and when they are near", () => {
    const list = [
      { fromUs: 10, toUs: 20 },
      { fromUs: 0, toUs: 5 },
      { fromUs: 20, toUs: 21 },
      { fromUs: 3, toUs: 6 },
    ];
    expect(unite(list)).toEqual([
      { fromUs: 0, toUs: 6 },
      { fromUs: 10, toUs: 21 },
    ]);
    expect(unite(list, 4)).toEqual([{ fromUs: 0, toUs: 21 }]);
  });

  it("that are empty join nothing, and one within another leaves it as long as it was", () => {
    const range = (fromUs: number, toUs: number) => ({ fromUs, toUs });
    expect(unite([range(5, 5), range(9, 7)])).toEqual([]);
    expect(unite([range(0, 5), range(6, 6), range(7, 9)], 1)).toEqual([range(0, 5), range(7, 9)]);
    expect(unite([range(0, 10), range(2, 3)])).toEqual([range(0, 10)]);
    expect(unite([range(0, 5), range(8, 9)], 2)).toEqual([range(0, 5), range(8, 9)]);
    const given = [range(0, 5), range(3, 9)];
    unite(given);
    expect(given).toEqual([range(0, 5), range(3, 9)]);
  });

  it("half open: a range holds its begin and not its end", () => {
    const one = [{ fromUs: 10, toUs: 20 }];
    expect([9, 10, 19, 20].map((at) => contains(one, at))).toEqual([false, true, true, false]);
  });

  it("common part, rest and length agree with counting moment by moment", () => {
    fc.assert(
      fc.property(ranges, ranges, (a, b) => {
        const inB = new Set(moments(b));
        expect(moments(intersect(a, b))).toEqual(moments(a).filter((at) => inB.has(at)));
        expect(moments(subtract(a, b))).toEqual(moments(a).filter((at) => !inB.has(at)));
        expect(totalUs(a)).toBe(moments(a).length);
        for (let at = 0; at <= 80; at++) expect(contains(b, at)).toBe(inB.has(at));
      }),
    );
  });
});
