import { describe, expect, it } from "vitest";
import { judgeTest, TEST_FRAME_OCTETS, testChannels } from "../../src/diagnosis/test-transmission.ts";
import { dutyCycleLimitFor } from "../../src/radio/regions/limits.ts";
import { type RegionPlan, regionPlan, regionPlans } from "../../src/radio/regions/region-plan.ts";

function planOf(name: string): RegionPlan {
  const plan = regionPlan(name);
  if (plan === null) throw new Error(name);
  return plan;
}

function verdict(name: string, frequencyHz: number, dataRate: string, powerDbm: number, usedUs = 0) {
  return judgeTest({ plan: planOf(name), frequencyHz, dataRate, powerDbm, usedUs: () => usedUs });
}

describe("a test transmission", () => {
  it.each([
    ["EU868", 868_300_000, "SF9BW125", 14],
    ["EU868", 869_525_000, "SF12BW125", 27],
    ["US915", 923_300_000, "SF9BW500", 21],
    ["AS923-1", 923_200_000, "SF7BW125", 16],
    ["IN865", 866_550_000, "SF10BW125", 30],
  ])("may be sent in %s at %i Hz, %s, %i dBm", (name, frequencyHz, dataRate, powerDbm) => {
    expect(verdict(name, frequencyHz, dataRate, powerDbm)).toMatchObject({ ok: true });
  });

  it.each([
    ["a frequency that is no channel", "EU868", 868_400_000, "SF9BW125", 14, /not a channel/],
    ["an alarm band", "EU868", 868_650_000, "SF9BW125", 10, /not a channel/],
    ["another region's channel", "EU868", 923_300_000, "SF9BW125", 14, /not a channel/],
    ["a node's channel of a fixed plan", "US915", 902_300_000, "SF9BW125", 14, /not a channel/],
    ["a data rate that gateways do not send", "US915", 923_300_000, "SF9BW125", 14, /not a data rate/],
    ["a width that leaves the band", "EU868", 868_500_000, "SF7BW250", 14, /not a data rate/],
    ["a data rate that is none", "EU868", 868_300_000, "SF13BW125", 14, /not a data rate/],
    [
      "more power than published",
      "EU868",
      868_300_000,
      "SF9BW125",
      14.1,
      /^14\.1\u202FdBm is more than the 14\u202FdBm/,
    ],
    [
      "more power than published for RX2",
      "EU868",
      869_525_000,
      "SF9BW125",
      27.5,
      /more than the 27\u202FdBm/,
    ],
    ["a frame longer than the dwell time", "AS923-1", 923_200_000, "SF12BW125", 14, /allows 400\u202Fms/],
    ["a region that asks to listen first", "KR920", 922_100_000, "SF9BW125", 10, /listening before talking/],
  ] as const)("is refused: %s", (_, name, frequencyHz, dataRate, powerDbm, why) => {
    const answer = verdict(name, frequencyHz, dataRate, powerDbm);
    expect(answer.ok).toBe(false);
    if (!answer.ok) expect(answer.why).toMatch(why);
  });

  it("is refused once the sub-band's hour is used up, and not before", () => {
    const { limit } = dutyCycleLimitFor(868_300_000, "EU868") ?? { limit: null };
    const budgetUs = (limit ?? 0) * 3_600_000_000;
    const airtime = verdict("EU868", 868_300_000, "SF9BW125", 14);
    const airtimeUs = airtime.ok ? airtime.airtimeUs : 0;
    expect(airtimeUs).toBe(144_384);
    expect(verdict("EU868", 868_300_000, "SF9BW125", 14, budgetUs - airtimeUs).ok).toBe(true);
    expect(verdict("EU868", 868_300_000, "SF9BW125", 14, budgetUs - airtimeUs + 1).ok).toBe(false);
    // AS923: under 1 % of the hour, over all channels.
    expect(verdict("AS923-1", 923_200_000, "SF7BW125", 14, 36_000_000).ok).toBe(false);
  });

  it("is never offered where no published limit is known", () => {
    const own: RegionPlan = { ...planOf("EU868"), name: "orchard", record: null };
    expect(testChannels(own)).toMatchObject({ channels: [] });
    expect(
      judgeTest({ plan: own, frequencyHz: 868_300_000, dataRate: "SF9BW125", powerDbm: 1, usedUs: () => 0 })
        .ok,
    ).toBe(false);
  });

  it("stays within its band and its plan on every channel of every region", () => {
    for (const plan of regionPlans) {
      for (const { frequencyHz, dataRates, mostPowerDbm } of testChannels(plan).channels) {
        const limit = dutyCycleLimitFor(frequencyHz, plan);
        for (const { bandwidthHz } of dataRates) {
          expect(frequencyHz - bandwidthHz / 2).toBeGreaterThanOrEqual(limit?.fromHz ?? plan.fromHz);
          expect(frequencyHz + bandwidthHz / 2).toBeLessThanOrEqual(limit?.toHz ?? plan.toHz);
        }
        expect(mostPowerDbm).toBeLessThanOrEqual(30);
        expect(limit?.subBand ?? "").not.toContain("alarm");
      }
    }
    expect(TEST_FRAME_OCTETS).toBe(12);
  });
});
