import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  beganAtUs,
  clockDriftPpm,
  continues,
  continuityAcross,
  counterAcross,
  counterDelayUs,
  leastDelayedEachMinute,
  restartedBetween,
  TMST_PERIOD_US,
  TmstClock,
  tmstStepUs,
  unwrapTmst,
  wrapUs,
} from "../../src/radio/clock.ts";

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

  it("counts wraps over gaps of hours by the receiver's clock", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: TMST_PERIOD_US - 1 }),
        fc.array(fc.integer({ min: 0, max: 40_000_000_000 }), { maxLength: 20 }),
        fc.integer({ min: -20, max: 20 }),
        (start, gaps, ppm) => {
          const clock = new TmstClock();
          let counter = start;
          let monotonic = 5_000_000;
          expect(clock.read(raw(counter), monotonic).extendedUs).toBe(start);
          for (const gap of gaps) {
            counter += gap;
            monotonic += Math.round(gap * (1 + ppm / 1e6));
            expect(clock.read(raw(counter), monotonic)).toEqual({
              extendedUs: counter,
              epoch: 0,
              restarted: false,
            });
          }
        },
      ),
    );
  });

  it("begins a new epoch when the gateway restarts", () => {
    const clock = new TmstClock();
    clock.read(1_000_000_000, 0);
    expect(clock.read(35_000_000, 600_000_000)).toMatchObject({
      restarted: true,
      epoch: 1,
      extendedUs: 35_000_000,
    });
    expect(clock.read(36_000_000, 601_000_000)).toMatchObject({ restarted: false, epoch: 1 });
    expect(clock.restarts).toBe(1);
  });

  it("takes small steps back for frames out of order", () => {
    const clock = new TmstClock();
    clock.read(5_000_000, 0);
    expect(clock.read(4_200_000, 1000)).toMatchObject({ restarted: false, extendedUs: 4_200_000 });
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

  it("restart an epoch beyond 2 s plus 100 ppm of the time that passed", () => {
    const restarts = (elapsedUs: number, offUs: number) => {
      const clock = new TmstClock();
      clock.read(1_000_000_000, 0);
      return clock.read(1_000_000_000 + elapsedUs + offUs, elapsedUs).restarted;
    };
    // Over 1 000 s: 2 s + 0.1 s.
    expect([restarts(1e9, 2_100_000), restarts(1e9, 2_100_001)]).toEqual([false, true]);
    expect([restarts(1e9, -2_100_000), restarts(1e9, -2_100_001)]).toEqual([false, true]);
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

describe("the least delayed reading of each minute", () => {
  it("is the one whose arrival lies least behind its counter, minutes in order", () => {
    const reading = (referenceUs: number, delayUs: number) => ({
      referenceUs,
      counterUs: referenceUs - delayUs,
    });
    const [late, prompt, next] = [reading(61e6, 900), reading(119e6, 300), reading(5e6, 700)];
    expect(leastDelayedEachMinute([late, prompt, next, reading(119.9e6, 300)])).toEqual([next, prompt]);
    // The 120th second belongs to the next minute.
    const third = reading(120e6, 5_000);
    expect(leastDelayedEachMinute([third, prompt])).toEqual([prompt, third]);
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
