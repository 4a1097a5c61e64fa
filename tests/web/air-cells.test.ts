import { describe, expect, it } from "vitest";
import type { AirMap } from "../../src/contract/air.ts";
import { busiestCell, gridOf, noiseRange } from "../../src/drawings/air-map.ts";

function map(more: Partial<AirMap> = {}): AirMap {
  return {
    gatewayEui: "02005E1000000001",
    gatewayName: null,
    from: "2026-03-14T09:00:00.000Z",
    cellSeconds: 60,
    notRecorded: [],
    lastCellSeconds: 60,
    frequenciesHz: [868_100_000],
    utilisation: [[0.01, 0.03, 0, 0.02]],
    offeredLoad: [[0.01, 0.03, 0, 0.02]],
    ownLoad: [[0.01, 0.01, 0, null]],
    strangerLoad: [[0, 0.02, 0, null]],
    crcBadRatio: [[0, 0.5, null, 0]],
    noise: { from: "2026-03-14T09:00:00.000Z", stretchSeconds: 60, dbm: [[-118.2, null, -117, -116.4]] },
    ...more,
  };
}

describe("the cells of the air map", () => {
  it("are drawn one by one where there is room", () => {
    const { rows, together } = gridOf(map(), 100);
    expect(together).toBe(1);
    const near = (value: number) => expect.closeTo(value, 9);
    expect(rows[0]?.map(({ inUse }) => inUse)).toEqual([near(0.01), near(0.03), 0, near(0.02)]);
    expect(rows[0]?.map(({ strangers }) => strangers)).toEqual([0, near(2 / 3), null, null]);
    expect(rows[0]?.map(({ isBroken }) => isBroken)).toEqual([false, true, false, false]);
  });

  it("are taken together where there is not, each weighing by how long it lasted", () => {
    const { rows, together } = gridOf(map({ lastCellSeconds: 20 }), 2);
    expect(together).toBe(2);
    expect(rows[0]).toHaveLength(2);
    expect(rows[0]?.[0]).toMatchObject({ strangers: 0.5, isBroken: true });
    expect(rows[0]?.[0]?.inUse).toBeCloseTo(0.02, 9);
    expect(rows[0]?.[1]?.inUse).toBeCloseTo((0 * 60 + 0.02 * 20) / 80, 9);
  });

  it("do not set the scale by a last one that has just begun", () => {
    const fresh = { utilisation: [[0.01, 0.03, 0, 0.9]] };
    expect(busiestCell(map({ ...fresh, lastCellSeconds: 2 }))).toBe(0.03);
    expect(busiestCell(map({ ...fresh, lastCellSeconds: 40 }))).toBe(0.9);
  });

  it("share one scale of noise, 10 dB at least, and none without noise", () => {
    expect(noiseRange(map())).toEqual({ low: -120, high: -110 });
    const loud = { ...map().noise, dbm: [[-118.2, -101]] };
    expect(noiseRange(map({ noise: loud }))).toEqual({ low: -120, high: -100 });
    expect(noiseRange(map({ noise: { ...loud, dbm: [[null, null]] } }))).toBeNull();
  });
});
