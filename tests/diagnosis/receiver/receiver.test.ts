import { describe, expect, it } from "vitest";
import { channelShiftsDb, measureNoise, noiseDifference } from "../../../src/diagnosis/receiver/noise.ts";
import {
  factorSentence,
  noiseDifferenceSentence,
  receiverSentence,
} from "../../../src/diagnosis/receiver/sentences.ts";
import { measureReceiver } from "../../../src/diagnosis/receiver/threshold.ts";
import type { ReceiverTrial } from "../../../src/diagnosis/receiver/trials.ts";
import { createRandom, normal } from "../../../src/simulate/time-and-chance.ts";

const MINUTE_US = 60_000_000;
const HZ = 868_100_000;

/** One node at SF9 by a receiver whose knee lies at `levelDb`, a frame a minute; all of it heard by another gateway. */
function frames(levelDb: number, meanDb: number, count = 400, seed = 1): ReceiverTrial[] {
  const random = createRandom(seed, "receiver frames");
  return Array.from({ length: count }, (_, i) => {
    const snrDb = meanDb + 1.5 * normal(random);
    const isHeard = random.uniform() < 1 / (1 + Math.exp(-(snrDb - levelDb) / 0.75));
    return {
      atUs: i * MINUTE_US,
      snrDb: isHeard ? Math.round(snrDb * 4) / 4 : null,
      isHeard,
      frequencyHz: HZ,
      byOthers: true,
    };
  });
}

const measured = (...trials: (readonly ReceiverTrial[])[]) =>
  measureReceiver({
    series: trials.map((own, i) => ({ node: `N${i}`, spreadingFactor: 9, trials: own })),
    channelShiftsDb: new Map(),
  });

describe("a receiver measured from frames that another gateway heard", () => {
  it("is sound with its knee at the data sheet's floor, deaf 3 dB above it", () => {
    const sound = measured(frames(-12.5, -11), frames(-12.5, -9.5, 400, 2));
    expect(sound).toMatchObject({ basis: "others", verdict: "sound", lack: null, leftOut: 0 });
    const deaf = measured(frames(-9.5, -8), frames(-9.5, -6.5, 400, 2));
    expect(deaf.verdict).toBe("deaf");
    expect(deaf.overall?.offsetDb).toBeGreaterThan(2.4);
    expect(deaf.overall?.offsetDb).toBeLessThan(3.6);
    const [factor] = deaf.factors;
    expect(factor).toMatchObject({ spreadingFactor: 9, floorDb: -12.5, nodes: 2, trials: 800 });
    expect(factor?.level?.levelDb).toBeCloseTo(-12.5 + (deaf.overall?.offsetDb ?? 0), 9);
  });

  it("places every trial of the drawing once, and its points rise with the level", () => {
    const [factor] = measured(frames(-12.5, -11)).factors;
    const points = factor?.points ?? [];
    expect(points.reduce((sum, { trials }) => sum + trials, 0)).toBeGreaterThan(380);
    expect(points.find(({ snrDb }) => snrDb === -15)?.delivered ?? 0).toBeLessThan(0.2);
    expect(points.find(({ snrDb }) => snrDb === -10)?.delivered).toBeGreaterThan(0.8);
  });

  it("is not measured by strong nodes, by few frames, or without a miss, and says why", () => {
    expect(measured(frames(-12.5, 3))).toMatchObject({ verdict: "not enough", lack: "too strong" });
    expect(measured(frames(-12.5, -11, 20))).toMatchObject({ verdict: "not enough", lack: "few frames" });
    expect(measured(frames(-12.5, -5))).toMatchObject({ verdict: "not enough", lack: "few missed" });
    expect(receiverSentence("Mast", measured(frames(-12.5, 3)))).toEqual([
      {
        text: "Not enough yet to measure the receiver of Mast: every node is heard far above the floor; a node further away would tell.",
      },
    ]);
  });

  it("leaves out a run in which it heard nothing though it should have, and no other miss", () => {
    const whole = frames(-12.5, -9);
    const hung = whole.map((trial, i) =>
      i >= 100 && i < 160 ? { ...trial, isHeard: false, snrDb: null } : trial,
    );
    expect(measured(whole).leftOut).toBe(0);
    const { leftOut, factors } = measured(hung);
    expect(leftOut).toBeGreaterThanOrEqual(60);
    expect(leftOut).toBeLessThan(64);
    expect(factors[0]?.trials).toBe(400 - leftOut);
  });
});

describe("the sentences of a receiver", () => {
  const factor = {
    spreadingFactor: 9,
    floorDb: -12.5,
    nodes: 2,
    trials: 800,
    missed: 120,
    level: { offsetDb: -0.6, lowDb: -1.1, highDb: 0, levelDb: -13.1, widthDb: 1.3, asymptote: 0.99 },
    lack: null,
    points: [],
  };

  it("give the level with its interval beside the data sheet's", () => {
    expect(factorSentence(factor)).toBe(
      "demodulates SF9 down to \u221213.1\u202FdB (\u221213.6 to \u221212.5), data sheet \u221212.5\u202FdB",
    );
    expect(factorSentence({ ...factor, level: null, lack: "few missed" })).toBe(
      "SF9: not enough yet, too few frames were missed to tell; data sheet \u221212.5\u202FdB",
    );
  });

  it("blame a louder receiver only where both stand side by side", () => {
    const louder = { differenceDb: 3, lowDb: 2.5, highDb: 3.5, cells: 20 };
    expect(noiseDifferenceSentence("Known good", louder, true)).toBe(
      "It reports 3.0\u202FdB more noise than Known good (+2.5 to +3.5): side by side, that is its receiver, or its RSSI scale.",
    );
    expect(noiseDifferenceSentence("Tower", louder, false)).toContain("traffic cannot tell which");
    expect(noiseDifferenceSentence("Tower", { ...louder, lowDb: -0.5 }, false)).toBe(
      "It reports 3.0\u202FdB more noise than Tower (\u22120.5 to +3.5).",
    );
  });
});

describe("the noise of a receiver", () => {
  /** At -10 dB SNR a channel RSSI of -110 dBm holds -110 - 10 log10(1.1) = -110.41 dBm of noise. */
  const heard = (frequencyHz: number, rssiDbm: number, count = 24) =>
    Array.from({ length: count }, (_, i) => ({
      atUs: i * MINUTE_US,
      frequencyHz,
      bandwidthHz: 125_000,
      rssiDbm,
      snrDb: -10,
    }));
  const range = { fromUs: 0, toUs: 24 * MINUTE_US };

  it("is RSSI less what the signal adds, over 10 log10(125 000) - 174 dBm", () => {
    const { noiseDbm, overThermalDb, channels, frames: count } = measureNoise(heard(HZ, -110));
    expect(noiseDbm).toBeCloseTo(-110.414, 3);
    // -174 + 50.969 = -123.031.
    expect(overThermalDb).toBeCloseTo(12.617, 3);
    expect([channels, count]).toEqual([1, 24]);
    expect(measureNoise(heard(HZ, -110, 5)).noiseDbm).toBeNull();
  });

  it("shifts a channel by what it is quieter than the mean of all", () => {
    const shifts = channelShiftsDb([...heard(HZ, -110), ...heard(HZ + 200_000, -106)]);
    expect(shifts.get(HZ)).toBeCloseTo(2, 9);
    expect(shifts.get(HZ + 200_000)).toBeCloseTo(-2, 9);
    expect(channelShiftsDb(heard(HZ, -110)).size).toBe(0);
  });

  it("is compared where both told it on a channel at the same time", () => {
    expect(noiseDifference(heard(HZ, -107), heard(HZ, -110), range)).toMatchObject({ cells: 6 });
    expect(noiseDifference(heard(HZ, -107), heard(HZ, -110), range)?.differenceDb).toBeCloseTo(3, 9);
    expect(noiseDifference(heard(HZ, -107), heard(HZ + 200_000, -110), range)).toBeNull();
  });
});
