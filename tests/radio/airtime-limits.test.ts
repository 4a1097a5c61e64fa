import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { bandUses, dwellUse, LimitTable, type LocatedTransmission } from "../../src/radio/airtime-limits.ts";
import { regionPlan } from "../../src/radio/regions/region-plan.ts";

function table(region: string): LimitTable {
  const plan = regionPlan(region);
  if (plan === null) throw new Error(region);
  return new LimitTable(plan);
}
const EU868 = table("EU868");

function sent(
  atS: number,
  airtimeS: number,
  frequencyHz: number,
  bandwidthHz = 125_000,
): LocatedTransmission {
  return { startUs: Math.round(atS * 1e6), airtimeUs: Math.round(airtimeS * 1e6), frequencyHz, bandwidthHz };
}

describe("the airtime of one transmitter", () => {
  it("is a budget of its own in each sub-band, its channels added up", () => {
    const uses = bandUses(
      [
        sent(0, 10, 868_100_000),
        sent(100, 20, 868_500_000),
        sent(200, 4, 867_100_000),
        sent(300, 1, 869_525_000),
      ],
      EU868,
    );
    expect(
      uses.map(({ subBand, limit, fullestHourUs, frames }) => [subBand, limit, fullestHourUs / 1e6, frames]),
    ).toEqual([
      ["L", 0.01, 4, 1],
      ["M", 0.01, 30, 2],
      ["P", 0.1, 1, 1],
    ]);
    expect(uses[0]?.dwell).toBeNull();
  });

  it("is that of the fullest 3,600 s wherever they lie, not of hours by the clock", () => {
    // 20 s before and 20 s after the full hour: each clock hour holds 20 s, the hour around the turn 40 s.
    const [use] = bandUses([sent(3580, 20, 868_100_000), sent(3600, 20, 868_100_000)], EU868);
    expect(use?.fullestHourUs).toBe(40e6);
  });

  it("is the greatest that any window of an hour holds, by trying them all", () => {
    const frame = fc.record({
      atS: fc.integer({ min: 0, max: 14_400 }),
      airtimeS: fc.integer({ min: 1, max: 40 }),
    });
    fc.assert(
      fc.property(fc.array(frame, { minLength: 1, maxLength: 12 }), (frames) => {
        const [use] = bandUses(
          frames.map(({ atS, airtimeS }) => sent(atS, airtimeS, 868_300_000)),
          EU868,
        );
        // Everything lies on whole seconds, so the fullest window may too.
        let most = 0;
        for (let from = -3600; from <= 14_440; from++) {
          const inside = frames.reduce((sum, { atS, airtimeS }) => {
            return sum + Math.max(0, Math.min(atS + airtimeS, from + 3600) - Math.max(atS, from));
          }, 0);
          most = Math.max(most, inside);
        }
        expect(use?.fullestHourUs).toBe(most * 1e6);
      }),
      { numRuns: 30 },
    );
  });

  it("is held against the dwell limit of a region that has one, frame by frame", () => {
    const [use] = bandUses([sent(0, 0.37, 923_200_000), sent(60, 0.412, 923_400_000)], table("AS923-1"));
    expect(use).toMatchObject({
      limit: null,
      dwell: { frameLimitUs: 400_000, framesOver: 1, inPeriod: null },
    });
    expect(use?.dwell?.longestFrameUs).toBe(412_000);
  });

  it("is added up on one frequency over 20 s under the American rule, 500 kHz left out", () => {
    const [use] = bandUses(
      [
        sent(0, 0.3, 902_300_000),
        sent(15, 0.3, 902_300_000),
        sent(16, 0.3, 902_500_000),
        sent(17, 0.9, 903_000_000, 500_000),
      ],
      table("US915"),
    );
    expect(use?.dwell).toMatchObject({
      framesOver: 0,
      longestFrameUs: 300_000,
      inPeriod: { periodUs: 20_000_000, limitUs: 400_000, mostUs: 600_000 },
    });
    const [apart] = bandUses([sent(0, 0.3, 902_300_000), sent(21, 0.3, 902_300_000)], table("US915"));
    expect(apart?.dwell?.inPeriod?.mostUs).toBe(300_000);
  });

  it("carries its band, its sums and where the fullest hour ends", () => {
    const [use] = bandUses([sent(0, 10, 868_100_000), sent(100, 20, 868_500_000)], EU868);
    expect(use).toEqual({
      subBand: "M",
      fromHz: 868_000_000,
      toHz: 868_600_000,
      limit: 0.01,
      text: expect.stringMatching(/^At most 1 % of an hour/),
      source: expect.stringContaining("LoRaMac-node"),
      frames: 2,
      airtimeUs: 30_000_000,
      fullestHourUs: 30_000_000,
      fullestUntilUs: 120_000_000,
      dwell: null,
    });
    expect(bandUses([], EU868)).toEqual([]);
  });

  it("outside every band is one row without a limit", () => {
    const uses = bandUses([sent(0, 1, 903_900_000), sent(5, 2, 904_100_000)], table("US915"));
    expect(uses).toHaveLength(1);
    expect(uses[0]).toMatchObject({
      subBand: null,
      fromHz: null,
      toHz: null,
      limit: null,
      airtimeUs: 3_000_000,
    });
  });

  it("counts a frame over the dwell limit beyond it, not at it, and none of other modulations", () => {
    const us = (...seconds: number[]) => seconds.map((airtimeS, i) => sent(i * 60, airtimeS, 923_200_000));
    expect(dwellUse(us(0.4, 0.400001, 0.39), table("AS923-1"))).toMatchObject({
      frameLimitUs: 400_000,
      longestFrameUs: 400_001,
      framesOver: 1,
    });
    const fsk = { ...sent(0, 2, 923_200_000), bandwidthHz: null };
    expect(dwellUse([fsk], table("AS923-1"))).toBeNull();
    expect(dwellUse([fsk, ...us(0.1)], table("AS923-1"))).toMatchObject({
      framesOver: 0,
      longestFrameUs: 100_000,
    });
    expect(dwellUse(us(2), EU868)).toBeNull();
  });
});
