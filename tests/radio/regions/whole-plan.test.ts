import { describe, expect, it } from "vitest";
import { type HeardChannel, recogniseRegion } from "../../../src/radio/regions/recognise-region.ts";

/** All 64 channels of 125 kHz, each heard ten times at SF7 to SF10: 200 kHz apart from the first one on. */
function wholePlan(firstHz: number): HeardChannel[] {
  return Array.from({ length: 64 }, (_, i) => ({
    frequencyHz: firstHz + 200_000 * i,
    modulation: { kind: "lora", spreadingFactor: 7 + (i % 4), bandwidthHz: 125_000, codingRate: "4/5" },
    payloadBytes: 20,
    count: 10,
  }));
}

describe("a plan of 64 channels that is heard whole", () => {
  // One sub-band, or two neighbours, would leave 56 or 48 channels of it unexplained; every other plan more.
  it.each([
    ["US915", 902_300_000],
    ["AU915", 915_200_000],
  ])("is recognised with its confidence, and without a sub-band: %s", (name, firstHz) => {
    const result = recogniseRegion(wholePlan(firstHz));
    expect(result).toMatchObject({
      verdict: "recognised",
      name,
      subBand: null,
      block: null,
      alternatives: [],
      contradictions: [],
      reason: `${name === "US915" ? "US902-928" : "AU915-928"}, from 640 receptions.`,
    });
    expect(result.confidence).toBeGreaterThan(0.999);
    expect(result.confidence).toBeLessThanOrEqual(1);
  });
});
