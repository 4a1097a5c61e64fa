import { describe, expect, it } from "vitest";
import {
  channelsText,
  fittingPackets,
  nearPlanLabels,
  planChoice,
  planChoices,
  planLabels,
} from "../../../src/radio/regions/plan-choice.ts";

const lora = (frequencyHz: number, spreadingFactor: number, count: number) => ({
  frequencyHz,
  count,
  modulation: { kind: "lora" as const, spreadingFactor, bandwidthHz: 125_000, codingRate: "4/5" as const },
});

describe("a plan by its name", () => {
  it("is a region, a sub-band or a channel set, case ignored", () => {
    expect(planChoice("eu868")).toMatchObject({ label: "EU868", name: "EU863-870", subBand: null });
    expect(planChoice("AU915/2")).toMatchObject({ name: "AU915-928, sub-band 2", subBand: 2 });
    expect(planChoice("CN470/20MHz-A")?.name).toBe("CN470-510, 20MHz-A");
    expect(planChoice("US915/9")).toBeNull();
  });

  it("is found under every label, and each label once", () => {
    const labels = planChoices().map(({ label }) => label);
    expect(new Set(labels).size).toBe(labels.length);
    for (const label of labels) expect(planChoice(label)?.label).toBe(label);
    expect(planLabels()).toMatch(/^EU868, US915, US915\/1 to US915\/8, AU915, /);
  });

  it.each([
    ["US915/9", "US915, US915/1 to US915/8"],
    ["eu886", "EU868"],
    ["868", "EU868"],
    ["US902", "US915, US915/1 to US915/8"],
    ["AS923", "AS923-1, AS923-2, AS923-3, AS923-4"],
    ["orchard", null],
    ["", null],
  ])("%j is near to %s", (written, near) => {
    expect(nearPlanLabels(written)).toBe(near);
  });

  it("US915/2 has channels 8 to 15, 903.9 to 905.3 MHz, and channel 65", () => {
    const choice = planChoice("US915/2");
    expect(choice?.channels.map(({ index }) => index)).toEqual([8, 9, 10, 11, 12, 13, 14, 15, 65]);
    expect(channelsText(choice?.channels ?? [])).toBe("903.9 to 905.3\u202FMHz (8 channels)");
  });

  it("counts packets on its channels with its data rates", () => {
    const us = planChoice("US915/2")!;
    // 902.3 MHz is sub-band 1; SF12 is no uplink data rate of US915.
    expect(
      fittingPackets(us, [lora(903_900_000, 7, 5), lora(902_300_000, 7, 3), lora(904_100_000, 12, 2)]),
    ).toBe(5);
    const eu = planChoice("EU868")!;
    expect(fittingPackets(eu, [lora(867_500_000, 12, 4), lora(902_300_000, 7, 3)])).toBe(4);
  });

  it("names up to four channels one by one, more by the first and the last", () => {
    const text = (label: string) => channelsText(planChoice(label)?.channels ?? []);
    expect(text("EU868")).toBe("868.1, 868.3, 868.5\u202FMHz");
    expect(text("RU864")).toBe("868.9, 869.1\u202FMHz");
    // Of US915 the narrow ones: 64 of 125 kHz.
    expect(text("US915")).toBe("902.3 to 914.9\u202FMHz (64 channels)");
    const four = planChoice("US915/1")?.channels.slice(0, 4) ?? [];
    expect(channelsText([...four].reverse())).toBe("902.3, 902.5, 902.7, 902.9\u202FMHz");
  });

  it("counts a dynamic plan's packets up to the ends of its band, a fixed one's on its channels alone", () => {
    const eu = planChoice("EU868")!;
    expect(fittingPackets(eu, [lora(863_000_000, 7, 1), lora(870_000_000, 7, 2)])).toBe(3);
    expect(fittingPackets(eu, [lora(862_999_999, 7, 1), lora(870_000_001, 7, 2)])).toBe(0);
    const us = planChoice("US915")!;
    expect(fittingPackets(us, [lora(902_300_000, 7, 3), lora(902_400_000, 7, 4)])).toBe(3);
  });
});
