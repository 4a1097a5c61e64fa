import { describe, expect, it } from "vitest";
import { dutyCycleLimitFor, dwellLimitFor, EU868_BANDS } from "../../../src/radio/regions/limits.ts";
import { regionPlan, regionPlans, uplinkDataRates } from "../../../src/radio/regions/region-plan.ts";

describe("duty-cycle limits", () => {
  it("of EU868 cover 863 to 870 MHz without gap or overlap and agree with the regional parameters", () => {
    let at = 863e6;
    for (const band of EU868_BANDS) {
      expect(band.fromHz).toBe(at);
      at = band.toHz;
    }
    expect(at).toBe(870e6);
    for (const band of regionPlan("EU868")!.record!.dutyCycle.bands) {
      expect(dutyCycleLimitFor((band.fromHz + band.toHz) / 2, "EU868")?.limit).toBe(band.limit);
    }
  });

  it("keep K and N apart although both allow 0.1 %", () => {
    expect(dutyCycleLimitFor(864_000_000, "EU868")).toMatchObject({ limit: 0.001, subBand: "K", erpMw: 25 });
    expect(dutyCycleLimitFor(869_000_000, "EU868")).toMatchObject({ limit: 0.001, subBand: "N" });
    expect(dutyCycleLimitFor(869_525_000, "EU868")).toMatchObject({ limit: 0.1, subBand: "P", erpMw: 500 });
    expect(dutyCycleLimitFor(870_000_000, "EU868")).toMatchObject({ subBand: "Q" });
  });

  it("say what the regime is where there is none", () => {
    const us = dutyCycleLimitFor(903_900_000, "US915");
    expect(us?.limit).toBeNull();
    expect(us?.text).toContain("dwell time");
    expect(dutyCycleLimitFor(868_300_000, "RU864")?.limit).toBeNull();
    expect(dutyCycleLimitFor(868_900_000, "RU864")?.source).toContain("disagree");
    expect(dutyCycleLimitFor(868_100_000, "nowhere")).toBeNull();
  });
});

describe("dwell limits", () => {
  it("hold for 125 kHz but not for 500 kHz in US915", () => {
    expect(dwellLimitFor("US915", 125_000)?.uplinkMs).toBe(400);
    expect(dwellLimitFor("US915", 500_000)?.uplinkMs).toBeNull();
  });

  it("are named as liftable in AS923 and absent in EU868", () => {
    expect(dwellLimitFor("AS923-2", 125_000)?.text).toContain("TXParamSetupReq");
    expect(dwellLimitFor("EU868", 125_000)?.uplinkMs).toBeNull();
    expect(dwellLimitFor("nowhere", 125_000)).toBeNull();
  });
});

describe("the file of regional parameters", () => {
  it("gives every region channels, uplink data rates and payload limits", () => {
    for (const plan of regionPlans) {
      for (const variant of plan.variants) {
        expect(variant.channels.length, plan.name).toBeGreaterThan(0);
        const sf9: Parameters<typeof uplinkDataRates>[1] = {
          kind: "lora",
          spreadingFactor: 9,
          bandwidthHz: variant.channels[0]!.bandwidthHz!,
          codingRate: "4/5",
        };
        const [dr] = uplinkDataRates(variant, sf9);
        expect(dr, plan.name).toBeDefined();
        expect(variant.mostPhyPayload.get(dr!), plan.name).toBeGreaterThan(50);
        for (const channel of variant.channels) {
          expect(channel.frequencyHz >= plan.fromHz && channel.frequencyHz <= plan.toHz, plan.name).toBe(
            true,
          );
        }
      }
    }
  });

  it("keeps the AS923 groups at their offsets from the first", () => {
    const first = regionPlan("AS923-1")!.variants[0]!.channels.map((c) => c.frequencyHz);
    for (const [name, offset] of [
      ["AS923-2", -1.8e6],
      ["AS923-3", -6.6e6],
      ["AS923-4", -5.9e6],
    ] as const) {
      expect(regionPlan(name)!.variants[0]!.channels.map((c) => c.frequencyHz)).toEqual(
        first.map((f) => f + offset),
      );
    }
  });
});
