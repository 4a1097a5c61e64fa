import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  beganAtUs,
  continues,
  counterAcross,
  counterDelayUs,
  restartedBetween,
  TMST_PERIOD_US,
  tmstStepUs,
  wrapUs,
} from "../../src/radio/clock.ts";
import {
  clockDriftPpm,
  continuityAcross,
  leastDelayedEachMinute,
  unwrapTmst,
} from "../published/formulas.ts";

const raw = (us: number): number => ((us % TMST_PERIOD_US) + TMST_PERIOD_US) % TMST_PERIOD_US;

describe("the concentrator counter", () => {
  it("unwraps to the true time for steps under 35 minutes, forwards or back", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.array(fc.integer({ min: -5_000_000, max: 2_000_000_000 }), { maxLength: 50 }),
        (start, steps) => {
          const truth = [start];
          for (const step of steps) {
            truth.push(truth[truth.length - 1]! + step);
          }
          expect(unwrapTmst(truth.map(raw))).toEqual(truth);
        },
      ),
    );
  });
});

describe("continuity across a gap", () => {
  it("holds for a counter that ran on, whatever its start and the length of the gap", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.integer({ min: 0, max: 86_400_000_000 }),
        fc.integer({ min: -400_000, max: 400_000 }),
        (start, gapUs, jitterUs) => {
          const test = continuityAcross(
            { tmstUs: start, atUs: 1e15 },
            { tmstUs: raw(start + gapUs), atUs: 1e15 + gapUs + jitterUs },
          );
          expect(test.continuous).toBe(true);
          expect(test.residualUs).toBe(0 - jitterUs);
        },
      ),
    );
  });
});

describe("clock drift", () => {
  it("is found to a tenth of a part per million through one-sided network delay", () => {
    const readings = Array.from({ length: 7200 }, (_, i) => {
      const counterUs = i * 10_000_000;
      // Mostly quick, now and then late by up to 300 ms.
      const delayUs =
        (Math.imul(i, 2_654_435_761) >>> 0) % 10 === 0 ? ((i * 7919) % 300) * 1000 : (i * 31) % 900;
      return { counterUs, referenceUs: Math.round(counterUs / (1 + 4.5e-6)) + delayUs };
    });
    expect(clockDriftPpm(leastDelayedEachMinute(readings))).toBeCloseTo(4.5, 1);
  });

  it("is null without two moments", () => {
    expect(clockDriftPpm([])).toBeNull();
    expect(clockDriftPpm([{ counterUs: 1, referenceUs: 1 }])).toBeNull();
  });
});

describe("steps of the counter", () => {
  it("go the shorter way round, and half a turn counts forwards", () => {
    expect(tmstStepUs(TMST_PERIOD_US - 10, 20)).toBe(30);
    expect(tmstStepUs(20, TMST_PERIOD_US - 10)).toBe(-30);
    expect(tmstStepUs(0, 2 ** 31)).toBe(2 ** 31);
    expect(wrapUs(2 ** 31 + 1)).toBe(1 - 2 ** 31);
    expect(wrapUs(-(2 ** 31))).toBe(2 ** 31);
    expect(wrapUs(5 * TMST_PERIOD_US - 7)).toBe(-7);
  });

  it("forwards take up to a turn", () => {
    expect(counterDelayUs(1_000, 3_500)).toBe(2_500);
    expect(counterDelayUs(TMST_PERIOD_US - 10, 20)).toBe(30);
    expect(counterDelayUs(20, TMST_PERIOD_US - 10)).toBe(TMST_PERIOD_US - 30);
    expect(counterDelayUs(5, 5)).toBe(0);
  });
});

describe("continuity across a gap of 1,000 s", () => {
  const over = (offUs: number) =>
    continuityAcross({ tmstUs: 500, atUs: 0 }, { tmstUs: 500 + 1e9 + offUs, atUs: 1e9 });

  it("holds within 0.5 s plus 50 ppm, and says how likely a restart would pass", () => {
    // 500 000 + 50e-6 × 1e9 = 550 000; twice that over 2^32 = 0.000 256 1.
    expect(over(550_000)).toEqual({
      residualUs: 550_000,
      toleranceUs: 550_000,
      continuous: true,
      falseMatchProbability: 1_100_000 / 2 ** 32,
    });
    expect(over(550_001).continuous).toBe(false);
    expect(over(-550_000)).toMatchObject({ residualUs: -550_000, continuous: true });
    expect(over(-550_001).continuous).toBe(false);
  });
});

describe("what the counter did between two readings", () => {
  const before = { tmstUs: 2_000_000_000, atUs: 0 };
  /** 1,000 s later: 2 s plus 100 ppm of it are 2.1 s. */
  const at = (tmstUs: number, atUs = 1e9) => ({ tmstUs, atUs });

  it("ran on within 2.1 s of the thousand", () => {
    for (const off of [0, 2_100_000, -2_100_000])
      expect(counterAcross(before, at(3_000_000_000 + off)), String(off)).toBe("ran-on");
    expect(continues(before, at(3_000_000_000 + 2_100_000))).toBe(true);
    expect(continues(before, at(3_000_000_000 + 2_100_001))).toBe(false);
    expect(continues(before, at(3_000_000_000 - 2_100_001))).toBe(false);
    // Backwards in time the same holds: the counter of a minute earlier.
    expect(continues(before, at(1_940_000_000, -60_000_000))).toBe(true);
    expect(continues(before, at(1_940_000_000 + 2_006_001, -60_000_000))).toBe(false);
  });

  it("ran on through a wrap", () => {
    // 3 000 s after 2 000 s the count of 5 000 s has wrapped once: 5 000 000 000 − 4 294 967 296.
    expect(counterAcross(before, at(705_032_704, 3e9))).toBe("ran-on");
    expect(restartedBetween(before, at(705_032_704, 3e9))).toBe(false);
  });

  it("began anew where it shows no more than the time that passed and 5 s", () => {
    expect(counterAcross(before, at(40_000_000))).toBe("began-anew");
    expect(restartedBetween(before, at(40_000_000))).toBe(true);
    expect(restartedBetween(before, at(1_005_000_000))).toBe(true);
    expect(restartedBetween(before, at(1_005_000_001))).toBe(false);
    expect(counterAcross(before, at(1_005_000_001))).toBeNull();
  });

  it("stood where it advanced less than the time that passed, and less than 900 s", () => {
    expect(counterAcross(before, at(2_030_000_000))).toBe("stood");
    expect(counterAcross(before, at(2_899_999_999))).toBe("stood");
    expect(counterAcross(before, at(2_900_000_000))).toBeNull();
    expect(counterAcross(before, at(2_000_000_000))).toBe("stood");
    // 100 s on: it may have advanced by less than 100 s only.
    expect(counterAcross(before, at(2_090_000_000, 1e8))).toBe("stood");
    expect(counterAcross(before, at(2_103_000_000, 1e8))).toBeNull();
  });

  it("did not stand where the count is one of a counter that began anew meanwhile", () => {
    // From 4 294 s by 21 s over the wrap to 20 s: as well a restart 20 s ago.
    const high = { tmstUs: TMST_PERIOD_US - 1_000_000, atUs: 0 };
    expect(counterAcross(high, at(20_000_000))).toBe("began-anew");
  });

  it("is not known for readings out of order or at one moment", () => {
    expect(counterAcross(before, at(2_000_000_000, 0))).toBeNull();
    expect(counterAcross(before, at(40_000_000, -1))).toBeNull();
    expect(restartedBetween(before, at(40_000_000, 0))).toBe(false);
    expect(restartedBetween(before, at(2_000_000_000))).toBe(false);
  });

  it("began at its latest zero, and never before the old one was read", () => {
    expect(beganAtUs(before, at(40_000_000))).toBe(960_000_000);
    expect(beganAtUs(before, at(1_000_000_000))).toBe(1);
    expect(beganAtUs({ tmstUs: 5, atUs: 970_000_000 }, at(40_000_000))).toBe(970_000_001);
  });
});
