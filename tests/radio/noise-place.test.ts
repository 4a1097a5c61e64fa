import { describe, expect, it } from "vitest";
import type { TimedNoise } from "../../src/radio/noise.ts";
import { levelOf, type NoiseTime, noisePlace, type PlaceGateway } from "../../src/radio/noise-place.ts";

const MINUTE_US = 60e6;
/** Loud from minute 60 to 120 of three hours. */
const TIME: NoiseTime = {
  fromUs: 60 * MINUTE_US,
  toUs: 120 * MINUTE_US,
  isOn: (atUs) => atUs >= 60 * MINUTE_US && atUs <= 120 * MINUTE_US,
  isOff: (atUs) => atUs < 60 * MINUTE_US || atUs > 120 * MINUTE_US,
  onUs: 60 * MINUTE_US,
  offUs: 120 * MINUTE_US,
};

/** One sample in two minutes, 0.5 dB below and above its level by turns; a packet with each. */
function gateway(
  eui: string,
  quietDbm: number,
  loudDbm: number | null,
  more: Partial<PlaceGateway> = {},
): PlaceGateway {
  const samples = Array.from({ length: 90 }, (_, i): TimedNoise[] => {
    const atUs = (2 * i + 0.5) * MINUTE_US;
    const level = TIME.isOn(atUs) ? loudDbm : quietDbm;
    return level === null ? [] : [{ atUs, noiseDbm: level + (i % 2 === 0 ? -0.5 : 0.5), trust: "good" }];
  }).flat();
  return {
    eui,
    channels: [
      {
        frequencyHz: 868_300_000,
        samples,
        drowning: samples.map(({ atUs }) => ({ atUs, dbm: -100 })),
      },
    ],
    antennaGainDbi: null,
    quietDbm: null,
    isAlive: true,
    ...more,
  };
}

describe("the level of samples", () => {
  it("is their median; its error 1.2533 robust deviations over the root of their number", () => {
    // 30 values at -0.5 and +0.5 by turns: MAD 0.5, deviation 0.7413; they are no fewer than 30, for they alternate.
    const samples = Array.from({ length: 30 }, (_, i) => ({
      atUs: i,
      noiseDbm: -100 + (i % 2 === 0 ? -0.5 : 0.5),
      trust: "good" as const,
    }));
    expect(levelOf(samples)).toEqual({
      dbm: -100,
      error: expect.closeTo((1.2533 * 0.7413) / Math.sqrt(30), 3),
      samples: 30,
    });
    expect(levelOf(samples.slice(0, 4))).toBeNull();
  });
});

describe("the place of a noise", () => {
  it("is the gateway that receives most of it, with the interval of gateways that differ", () => {
    // 16 dB over -116: the noise alone is 10 log10(1 - 10^-1.6) = -0.11 dB below the sum, -100.1 dBm; at the other
    // 6 dB over -116: -1.26 dB, -111.3 dBm. 11.1 dB; 1.96 x 1.5 x sqrt 2 = 4.2 dB and a little for the samples.
    const place = noisePlace([gateway("A", -116, -110), gateway("B", -116, -100)], TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", weakestEui: "A", reason: null });
    expect(place.differenceDb).toBeCloseTo(11.15, 1);
    expect((place.differenceDb ?? 0) - (place.lowDb ?? 0)).toBeGreaterThan(4.16);
    expect((place.differenceDb ?? 0) - (place.lowDb ?? 0)).toBeLessThan(4.4);
    expect(place.gateways.map(({ status, riseDb }) => [status, riseDb])).toEqual([
      ["raised", 6],
      ["raised", 16],
    ]);
    expect(place.gateways[1]?.receivedDbm).toBeCloseTo(-100.11, 1);
  });

  it("takes off antenna gains that were given for both", () => {
    const place = noisePlace(
      [gateway("A", -116, -110, { antennaGainDbi: 2 }), gateway("B", -116, -100, { antennaGainDbi: 8 })],
      TIME,
    );
    expect(place.differenceDb).toBeCloseTo(5.15, 1);
  });

  it("is at least some dB where the other gateway shows no rise", () => {
    const place = noisePlace([gateway("A", -116, -116), gateway("B", -116, -100)], TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", differenceDb: null, highDb: null });
    // No rise of more than 0.5 dB: at most -125.1 dBm of noise alone.
    expect(place.lowDb).toBeGreaterThan(15);
  });

  it("is open within the interval, and alike where it surely lies within 6 dB", () => {
    expect(noisePlace([gateway("A", -116, -103), gateway("B", -116, -100)], TIME)).toMatchObject({
      verdict: "open",
      reason: "interval",
      eui: null,
    });
    expect(noisePlace([gateway("A", -116, -100), gateway("B", -116, -100)], TIME)).toMatchObject({
      verdict: "alike",
    });
  });

  it("is the gateway that heard nothing meanwhile, when its usual packets stand far above the other's noise", () => {
    // Its median packet drowns at -100 dBm; at the other the noise is -111.3 dBm.
    const place = noisePlace([gateway("A", -116, -110), gateway("B", -116, null)], TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", differenceDb: null });
    expect(place.gateways[1]).toMatchObject({ status: "drowned", heard: 0, expected: 30 });
  });

  it("is open when a gateway heard nothing at all, for it may have been off", () => {
    expect(
      noisePlace([gateway("A", -116, -110), gateway("B", -116, null, { isAlive: false })], TIME),
    ).toMatchObject({ verdict: "open" });
    expect(
      noisePlace(
        [gateway("A", -116, -116), gateway("B", -116, -100), gateway("C", -116, null, { isAlive: false })],
        TIME,
      ),
    ).toMatchObject({ verdict: "open", reason: "drowned" });
  });

  it("is open with one gateway", () => {
    expect(noisePlace([gateway("A", -116, -100)], TIME)).toMatchObject({
      verdict: "open",
      reason: "one gateway",
    });
  });
});
