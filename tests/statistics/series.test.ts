import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { mannKendall } from "../../src/statistics/rank-tests.ts";
import {
  mad,
  median,
  medianBySlot,
  quantile,
  robustSigma,
  thinByMedians,
} from "../../src/statistics/robust.ts";
import { effectiveSampleSize, lag1Autocorrelation } from "../../src/statistics/series.ts";
import { theilSen } from "../../src/statistics/theil-sen.ts";
import { cusum, cusumOptionsFrom, ewma } from "../published/control-charts.ts";
import { pettitt } from "../published/formulas.ts";
import { lttbIndices } from "../published/lttb.ts";

const whole = (min: number, max: number) => fc.integer({ min, max });
const points = fc.array(fc.record({ x: whole(0, 1000), y: whole(-120, -60) }), {
  minLength: 2,
  maxLength: 60,
});

describe("Theil and Sen's slope", () => {
  it("does not change when the series is shifted in time or level", () => {
    fc.assert(
      fc.property(points, whole(-1000, 1000), whole(-50, 50), (list, dx, dy) => {
        const here = theilSen(list);
        const there = theilSen(list.map(({ x, y }) => ({ x: x + dx, y: y + dy })));
        expect(there.slope).toEqual(here.slope);
        expect(there.low).toEqual(here.low);
        if (here.slope !== null) {
          expect(there.intercept).toBeCloseTo(here.intercept! + dy - here.slope * dx, 6);
        }
      }),
    );
  });

  it("finds a line exactly though a quarter of the values is wild", () => {
    const list = Array.from({ length: 40 }, (_, i) => ({ x: i, y: i % 4 === 0 ? 500 : -100 + 0.25 * i }));
    expect(theilSen(list).slope).toBeCloseTo(0.25, 1);
  });

  it("says so when all values share one moment, and refuses more than 2,000", () => {
    expect(
      theilSen([
        { x: 1, y: 1 },
        { x: 1, y: 2 },
      ]),
    ).toMatchObject({ slope: null });
    expect(theilSen([]).slope).toBeNull();
    expect(() => theilSen(Array.from({ length: 2001 }, (_, x) => ({ x, y: 0 })))).toThrow(RangeError);
  });
});

describe("Mann and Kendall's test", () => {
  it("changes sign when time runs backwards", () => {
    fc.assert(
      fc.property(fc.array(whole(-120, -60), { maxLength: 60 }), (values) => {
        expect(mannKendall([...values].reverse()).s + mannKendall(values).s).toBe(0);
      }),
    );
  });

  it("is null for fewer than four values, never NaN", () => {
    expect(mannKendall([1, 2, 3]).p).toBeNull();
    expect(mannKendall([]).tauA).toBeNull();
    expect(mannKendall([5, 5, 5, 5])).toMatchObject({ s: 0, varS: 0, z: 0, p: 1 });
  });

  it("is less sure when the variance is widened for autocorrelation", () => {
    const rising = Array.from({ length: 20 }, (_, i) => i + ((i * 7) % 5));
    expect(mannKendall(rising, 3).p!).toBeGreaterThan(mannKendall(rising).p!);
  });
});

describe("Pettitt's test", () => {
  it("equals the double sum of its definition", () => {
    fc.assert(
      fc.property(fc.array(whole(-9, 9), { minLength: 4, maxLength: 40 }), (values) => {
        let k = 0;
        let t = 0;
        for (let cut = 1; cut < values.length; cut += 1) {
          let u = 0;
          for (const before of values.slice(0, cut)) {
            for (const after of values.slice(cut)) {
              u += Math.sign(before - after);
            }
          }
          if (Math.abs(u) > k) {
            k = Math.abs(u);
            t = cut;
          }
        }
        expect(pettitt(values)).toMatchObject({ k, t });
      }),
    );
  });

  it("is null for fewer than four values", () => {
    expect(pettitt([1, 2, 3]).p).toBeNull();
  });
});

describe("control charts", () => {
  const baseline = Array.from({ length: 60 }, (_, i) => -100 + ((i * 7) % 5) - 2);

  it("raise an alarm after a shift and name its direction", () => {
    const limits = cusumOptionsFrom(baseline)!;
    const shifted = [...baseline, ...baseline.map((v) => v - 6)];
    const chart = cusum(shifted, limits);
    expect(chart.direction).toBe("down");
    expect(chart.alarmAt!).toBeGreaterThanOrEqual(60);
    expect(chart.alarmAt!).toBeLessThan(66);
    expect(cusum(baseline, limits).alarmAt).toBeNull();
    expect(cusumOptionsFrom([])).toBeNull();
  });

  it("smooth and compare with their limits", () => {
    const chart = ewma([0, 0, 10, 10, 10], { target: 0, sigma: 1, lambda: 0.5 });
    expect(chart.smoothed).toEqual([0, 0, 5, 7.5, 8.75]);
    expect(chart.high).toBeCloseTo(3 * Math.sqrt(0.5 / 1.5), 12);
    expect(chart.alarmAt).toBe(2);
    expect(ewma([0.1, -0.1], { target: 0, sigma: 1 }).alarmAt).toBeNull();
  });
});

describe("robust summaries", () => {
  it("answer null for nothing", () => {
    expect(median([])).toBeNull();
    expect(mad([])).toBeNull();
    expect(quantile([], 0.5)).toBeNull();
    expect([0, 0.25, 1].map((p) => quantile([3, 1, 2], p))).toEqual([1, 1.5, 3]);
    expect(robustSigma([])).toBeNull();
  });

  it("floor the spread of quantised values", () => {
    expect(robustSigma([-90, -90, -90, -91])).toBe(0.5);
  });
});

describe("effective sample size", () => {
  it("never exceeds the size, and alternation earns nothing", () => {
    fc.assert(
      fc.property(whole(1, 10_000), fc.double({ min: -1, max: 1, noNaN: true }), (n, rho) => {
        const effective = effectiveSampleSize(n, rho);
        expect(effective).toBeLessThanOrEqual(n);
        expect(effective).toBeGreaterThanOrEqual(1);
      }),
    );
    expect(effectiveSampleSize(100, -0.9)).toBe(100);
    expect(effectiveSampleSize(100, null)).toBe(100);
    expect(effectiveSampleSize(0, 0.5)).toBe(0);
  });

  it("sees runs in a series, and none in constants", () => {
    expect(lag1Autocorrelation([0, 0, 0, 0, 1, 1, 1, 1])).toBeGreaterThan(0.5);
    expect(lag1Autocorrelation([0, 1, 0, 1, 0, 1])).toBeLessThan(0);
    expect(lag1Autocorrelation([1, 1, 1, 1])).toBeNull();
    expect(lag1Autocorrelation([1, 2])).toBeNull();
  });
});

describe("downsampling for charts", () => {
  it("keeps first and last, in order, and no more than was asked for", () => {
    fc.assert(
      fc.property(fc.array(whole(-120, 0), { maxLength: 300 }), whole(0, 60), (ys, wanted) => {
        const series = ys.map((y, x) => ({ x, y }));
        const chosen = lttbIndices(series, wanted);
        expect(chosen.length).toBeLessThanOrEqual(Math.max(2, wanted));
        expect(chosen[0]).toBe(series.length === 0 ? undefined : 0);
        expect(chosen[chosen.length - 1]).toBe(series.length === 0 ? undefined : series.length - 1);
        for (let i = 1; i < chosen.length; i += 1) {
          expect(chosen[i]!).toBeGreaterThan(chosen[i - 1]!);
        }
      }),
    );
  });
});

describe("thinning", () => {
  it("bounds the number of points, keeps order and stays within the values", () => {
    const timed = fc.array(
      fc.record({ tUs: whole(0, 2_000_000_000).map((ms) => 1.79e15 + ms * 1000), value: whole(-120, -60) }),
      { maxLength: 400 },
    );
    fc.assert(
      fc.property(timed, whole(2, 50), (list, most) => {
        const thinned = thinByMedians(list, most);
        expect(thinned.length).toBeLessThanOrEqual(most);
        for (let i = 1; i < thinned.length; i += 1) {
          expect(thinned[i]!.tUs).toBeGreaterThanOrEqual(thinned[i - 1]!.tUs);
        }
        expect(thinned.length > 0).toBe(list.length > 0);
      }),
    );
  });

  it("takes the median of each slot", () => {
    const slotted = medianBySlot(
      [
        { tUs: 12, value: 5 },
        { tUs: 1, value: 1 },
        { tUs: 3, value: 9 },
        { tUs: 2, value: 2 },
      ],
      10,
    );
    expect(slotted).toEqual([
      { tUs: 2, value: 2 },
      { tUs: 12, value: 5 },
    ]);
  });
});
