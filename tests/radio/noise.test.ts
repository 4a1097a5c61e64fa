import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { linkMarginDb, summariseMargins } from "../../src/radio/margin.ts";
import {
  channelNoiseDbm,
  chooseSignalPowerSource,
  expectedSignalPowerDbm,
  noiseFloor,
  noiseSample,
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
    expect(floor).toMatchObject({ sampleCount: 40, trust: "good", reason: null });
    expect(floor.noiseDbm).toBeCloseTo(channelNoiseDbm(-116, -8), 6);
    const few = noiseFloor([...weak.slice(0, 5), ...strong]);
    expect(few).toMatchObject({ noiseDbm: null, sampleCount: 5, trust: "none" });
    expect(few.reason).toContain("5 frames");
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
  });

  it("is null where a frame lacks what the figure needs", () => {
    expect(signalPowerDbm(frame(-117, null, -20), "esp")).toBeCloseTo(-137.043, 3);
    expect(signalPowerDbm(frame(-117, null, null), "esp")).toBeNull();
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

  it("is summarised by median and by the best of the last twenty", () => {
    const margins = [30, ...Array.from({ length: 20 }, (_, i) => i % 5), null];
    expect(summariseMargins(margins)).toEqual({ medianDb: 2, bestOfLast20Db: 4, count: 21 });
    expect(summariseMargins([null])).toEqual({ medianDb: null, bestOfLast20Db: null, count: 0 });
  });
});
