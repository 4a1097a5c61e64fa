import { describe, expect, it } from "vitest";
import { type TimedValue, trendOf } from "../../src/statistics/trend.ts";

const START_US = 1_790_000_000_000_000;
const HOUR_US = 3_600_000_000;

/** Repeatable noise: uniform, by a small generator. */
function noise(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32 - 0.5;
  };
}

/** Frames every ten minutes for some days, in whole dB as a gateway reports RSSI. */
function series(days: number, level: (day: number) => number, spreadDb: number, seed: number): TimedValue[] {
  const random = noise(seed);
  return Array.from({ length: days * 144 }, (_, i) => ({
    tUs: START_US + i * (HOUR_US / 6),
    value: Math.round(level(i / 144) + random() * spreadDb),
  }));
}

describe("a trend", () => {
  it("is found in a slow decline, with its slope", () => {
    const trend = trendOf(series(21, (day) => -100 - 0.3 * day, 6, 1));
    expect(trend.outcome).toBe("real");
    expect(trend.slopePerDay).toBeCloseTo(-0.3, 1);
    expect(trend.p!).toBeLessThan(0.01);
    expect(trend.spanDays).toBeCloseTo(21, 1);
    expect(trend.slopeLow!).toBeLessThanOrEqual(trend.slopePerDay!);
    expect(trend.slopeHigh!).toBeGreaterThanOrEqual(trend.slopePerDay!);
  });

  it("is not claimed for noise, in a hundred series", () => {
    let claimed = 0;
    for (let seed = 1; seed <= 100; seed += 1) {
      claimed += trendOf(series(14, () => -100, 12, seed)).outcome === "real" ? 1 : 0;
    }
    expect(claimed).toBeLessThanOrEqual(1);
  });

  it("is seldom claimed for a wandering level, whose days depend on each other", () => {
    let claimed = 0;
    for (let seed = 1; seed <= 100; seed += 1) {
      const random = noise(seed);
      let state = 0;
      const daily = Array.from({ length: 31 }, () => {
        state = 0.7 * state + random() * 6;
        return state;
      });
      claimed +=
        trendOf(series(30, (day) => -100 + (daily[Math.floor(day)] ?? 0), 2, seed)).outcome === "real"
          ? 1
          : 0;
    }
    expect(claimed).toBeLessThanOrEqual(8);
  });

  it("is not claimed when real but small, nor over a short span, and says why", () => {
    const small = trendOf(series(20, (day) => -100 + 0.1 * day, 1.2, 3));
    expect(small.outcome).toBe("small");
    const short = trendOf(series(3, (day) => -100 - 3 * day, 2, 4));
    expect(short.outcome).toBe("short");
  });

  it("is null with a reason when there is not enough to say", () => {
    const few = trendOf([
      { tUs: START_US, value: -100 },
      { tUs: START_US + 30 * 24 * HOUR_US, value: -90 },
    ]);
    expect(few).toMatchObject({ slopePerDay: null, p: null, outcome: "few" });
    expect(trendOf([]).slopePerDay).toBeNull();
    expect(trendOf([{ tUs: START_US, value: Number.NaN }]).p).toBeNull();
  });

  it("does not depend on the order of the points", () => {
    const points = series(14, (day) => -90 - 0.4 * day, 4, 5);
    expect(trendOf([...points].reverse())).toEqual(trendOf(points));
  });

  it("survives ninety days of frequent frames within its bound of pairs", () => {
    const points = series(90, (day) => -100 - 0.05 * day, 8, 6);
    const trend = trendOf(points);
    expect(trend.slopePerDay).toBeCloseTo(-0.05, 1);
  });
});
