import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  demodulationFloorDb,
  frequencyOffsetLimitHz,
  frequencyOffsetPpm,
  frequencyOffsetWarningHz,
  linkMarginDb,
  readProbability,
} from "../../src/radio/margin.ts";
import {
  channelNoiseDbm,
  chooseSignalPowerSource,
  expectedSignalPowerDbm,
  noiseFloor,
  noiseFloorOf,
  noiseSample,
  noiseSamples,
  signalPowerDbm,
} from "../../src/radio/noise.ts";

describe("noise", () => {
  it("and signal power add up to the channel RSSI", () => {
    fc.assert(
      fc.property(
        fc.double({ min: -140, max: -20, noNaN: true }),
        fc.double({ min: -25, max: 20, noNaN: true }),
        (rssi, snr) => {
          const milliwatts =
            10 ** (expectedSignalPowerDbm(rssi, snr) / 10) + 10 ** (channelNoiseDbm(rssi, snr) / 10);
          expect(10 * Math.log10(milliwatts)).toBeCloseTo(rssi, 9);
        },
      ),
    );
  });

  it("is not estimated from frames above 5 dB SNR, where the estimator saturates", () => {
    expect(noiseSample(-90, 5.1)).toBeNull();
    expect(noiseSample(-90, 5)?.trust).toBe("rough");
    expect(noiseSample(-110, 0)?.trust).toBe("good");
    expect(noiseSample(null, -3)).toBeNull();
    expect(noiseSample(-110, null)).toBeNull();
    expect(noiseSample(-110, Number.NaN)).toBeNull();
  });

  it("floor comes from weak frames, and says when there are too few", () => {
    const weak = Array.from({ length: 40 }, (_, i) => ({ rssiDbm: -116 + (i % 4), snrDb: -8 }));
    const strong = Array.from({ length: 500 }, () => ({ rssiDbm: -60, snrDb: 12 }));
    const floor = noiseFloor([...weak, ...strong]);
    expect(floor).toMatchObject({ sampleCount: 40, trust: "good" });
    expect(floor.noiseDbm).toBeCloseTo(channelNoiseDbm(-116, -8), 6);
    const few = noiseFloor([...weak.slice(0, 5), ...strong]);
    expect(few).toMatchObject({ noiseDbm: null, sampleCount: 5, trust: "none" });
  });
});

describe("the noise floor by hand", () => {
  const samples = (count: number, trust: "good" | "rough", noiseDbm = -118) =>
    Array.from({ length: count }, () => ({ noiseDbm, trust }));

  it("is the tenth of the order from below and the middle, of 21 samples the third and the eleventh", () => {
    const ramp = Array.from({ length: 21 }, (_, i) => ({ noiseDbm: -100 - i, trust: "good" as const }));
    // 0.1 × 21 = 2.1: the third of -120, -119, -118 …
    expect(noiseFloorOf(ramp)).toEqual({
      noiseDbm: -118,
      median: -110,
      sampleCount: 21,
      trust: "good",
    });
  });

  it("needs twenty samples: good ones, else rough ones with them, and says which", () => {
    expect(noiseFloorOf([...samples(20, "good"), ...samples(9, "rough", -90)])).toMatchObject({
      sampleCount: 20,
      trust: "good",
      median: -118,
    });
    const rough = noiseFloorOf([...samples(19, "good"), ...samples(1, "rough")]);
    expect(rough).toMatchObject({ noiseDbm: -118, sampleCount: 20, trust: "rough" });
    expect(noiseFloorOf([...samples(18, "good"), ...samples(1, "rough")])).toEqual({
      noiseDbm: null,
      median: null,
      sampleCount: 19,
      trust: "none",
    });
    expect(noiseFloorOf(samples(3, "good"), 3)).toMatchObject({ trust: "good", noiseDbm: -118 });
  });

  it("of one frame: an RSSI of −117 dBm at −20 dB is noise but for 0.04 dB", () => {
    // 10 log10(1 + 10^-2) = 0.0432; at 0 dB signal and noise halve it: 3.0103.
    expect(noiseSample(-117, -20)?.noiseDbm).toBeCloseTo(-117.0432, 4);
    expect(noiseSample(-117, 0)?.noiseDbm).toBeCloseTo(-120.0103, 4);
    expect(noiseSample(-117, 0.1)?.trust).toBe("rough");
    expect(noiseSample(Number.NEGATIVE_INFINITY, 0)).toBeNull();
    expect(
      noiseSamples([
        { atUs: 5, rssiDbm: -117, snrDb: 0 },
        { atUs: 6, rssiDbm: -60, snrDb: 9 },
      ]),
    ).toEqual([{ atUs: 5, noiseDbm: expect.closeTo(-120.0103, 4), trust: "good" }]);
  });
});

describe("signal power", () => {
  const frame = (rssiDbm: number | null, signalRssiDbm: number | null, snrDb: number | null) => ({
    rssiDbm,
    signalRssiDbm,
    snrDb,
  });

  it("uses one figure for a whole series", () => {
    expect(chooseSignalPowerSource([frame(-100, -101, 3), frame(-99, -100, 4)])).toBe("signal-rssi");
    expect(chooseSignalPowerSource([frame(-100, -101, 3), frame(-99, null, 4)])).toBe("esp");
    expect(chooseSignalPowerSource([frame(-80, null, null)])).toBe("channel-rssi");
    expect(chooseSignalPowerSource([])).toBe("channel-rssi");
    // A frame that has neither figure decides nothing; an SNR without an RSSI gives no signal power.
    expect(chooseSignalPowerSource([frame(-100, -101, 3), frame(null, null, 4)])).toBe("signal-rssi");
    expect(chooseSignalPowerSource([frame(null, null, 4), frame(-80, null, null)])).toBe("channel-rssi");
    expect(chooseSignalPowerSource([frame(null, -101, 3)])).toBe("signal-rssi");
    expect(chooseSignalPowerSource([frame(null, -101, 3), frame(-80, null, null)])).toBe("channel-rssi");
    expect(chooseSignalPowerSource([frame(-80, null, null), frame(-90, null, 1)])).toBe("esp");
  });

  it("is null where a frame lacks what the figure needs", () => {
    expect(signalPowerDbm(frame(-117, null, -20), "esp")).toBeCloseTo(-137.043, 3);
    expect(signalPowerDbm(frame(-117, null, null), "esp")).toBeNull();
    expect(signalPowerDbm(frame(null, null, -20), "esp")).toBeNull();
    expect(signalPowerDbm(frame(-117, -118, -20), "signal-rssi")).toBe(-118);
    expect(signalPowerDbm(frame(-117, null, -20), "signal-rssi")).toBeNull();
    expect(signalPowerDbm(frame(-70, null, null), "channel-rssi")).toBe(-70);
  });
});

describe("link margin", () => {
  it("is SNR above the floor of the spreading factor", () => {
    expect(linkMarginDb(-10, 12)).toBe(10);
    expect(linkMarginDb(-10, 7)).toBe(-2.5);
    expect(linkMarginDb(null, 7)).toBeNull();
    expect(linkMarginDb(3, 13)).toBeNull();
  });

  it("has the floors of the data sheet (SX1276, Table 13), and none beyond", () => {
    expect([4, 5, 6, 7, 8, 9, 10, 11, 12, 13].map(demodulationFloorDb)).toEqual([
      ...[null, -2.5, -5, -7.5, -10, -12.5, -15, -17.5, -20, null],
    ]);
    expect(linkMarginDb(Number.NaN, 9)).toBeNull();
  });

  it("reads half of the frames at its knee, 98.2 % four widths above", () => {
    expect(readProbability(0)).toBe(0.5);
    // 1 / (1 + e^−4) at 3 dB, the rest at −3 dB.
    expect(readProbability(3)).toBeCloseTo(0.982_014, 6);
    expect(readProbability(-3)).toBeCloseTo(0.017_986, 6);
    expect(readProbability(1, { offsetDb: 1, widthDb: 2 })).toBe(0.5);
    expect(readProbability(3, { offsetDb: 1, widthDb: 2 })).toBeCloseTo(0.731_059, 6);
  });

  it("of a carrier off its channel: a fifth of the bandwidth is worth a warning, a quarter the limit", () => {
    expect([frequencyOffsetWarningHz(125_000), frequencyOffsetLimitHz(125_000)]).toEqual([25_000, 31_250]);
    expect(frequencyOffsetPpm(8_680, 868_000_000)).toBe(10);
  });
});
