import { describe, expect, it } from "vitest";
import type { LifeReception } from "../../src/store/queries/frames.ts";
import { signalSeries } from "../../src/views/node-page.ts";

const GATEWAY = { id: 1, eui: "02005E1000000001" } as Parameters<typeof signalSeries>[0][number];
const SF7 = 1_792;

function heard(count: number, levelAt: (i: number) => number): LifeReception[] {
  return Array.from({ length: count }, (_, i) => ({
    gatewayId: 1,
    atUs: i * 1e6,
    counter: i,
    dataRate: SF7,
    snrTenths: levelAt(i),
    rssiTenths: -1_000,
  })) as LifeReception[];
}

const seriesOf = (receptions: readonly LifeReception[]) => {
  const window = { fromUs: 0, toUs: receptions.length * 1e6 };
  const [series] = signalSeries([GATEWAY], () => null, receptions, window);
  if (series === undefined) throw new Error("no series");
  return series;
};

describe("the signal of a node over a window", () => {
  it("is every reception while they are few", () => {
    const series = seriesOf(heard(4_000, (i) => i % 50));
    expect(series.atMs).toHaveLength(4_000);
    expect(new Set(series.receptions)).toEqual(new Set([1]));
  });

  it("is the weakest, the middle and the strongest of each stretch where they are many", () => {
    // 20,000 receptions in 1,333 stretches of 15 or 16.
    const receptions = heard(20_000, (i) => (i * 7) % 101);
    const series = seriesOf(receptions);
    expect(series.atMs.length).toBeLessThanOrEqual(4_000);
    expect(series.receptions.reduce((sum, count) => sum + count, 0)).toBe(20_000);
    expect(series.atMs).toEqual([...series.atMs].sort((a, b) => a - b));
    const first = receptions
      .filter(({ atUs }) => atUs < 20_000e6 / 1_333)
      .map(({ snrTenths }) => snrTenths ?? 0);
    const sorted = [...first].sort((a, b) => a - b);
    const told = series.snrDb.slice(0, 3).map((snr) => Math.round((snr ?? 0) * 10));
    expect([...told].sort((a, b) => a - b)).toEqual([
      sorted[0],
      sorted[sorted.length >> 1],
      sorted[sorted.length - 1],
    ]);
    for (const [i, atMs] of series.atMs.entries())
      expect(receptions[Math.round(atMs / 1000)]?.snrTenths).toBe(Math.round((series.snrDb[i] ?? 0) * 10));
  });
});
