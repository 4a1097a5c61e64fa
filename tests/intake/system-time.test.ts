import { describe, expect, it } from "vitest";
import { SteadyClock } from "../../src/intake/system.ts";

const START_US = Date.UTC(2026, 2, 14, 9) * 1000;
const SECOND_US = 1_000_000;
const HOUR_US = 3_600 * SECOND_US;

/** Two clocks moved by hand. */
function clocks() {
  const at = { systemUs: START_US, monotonicUs: 5 };
  const steady = new SteadyClock({ systemUs: () => at.systemUs, monotonicUs: () => at.monotonicUs });
  steady.nowUs();
  return {
    steady,
    pass(us: number): void {
      at.systemUs += us;
      at.monotonicUs += us;
    },
    set(byUs: number): void {
      at.systemUs += byUs;
    },
  };
}

describe("the arrival clock", () => {
  it("goes on when the system's clock is set back by 2 h", () => {
    const { steady, pass, set } = clocks();
    pass(10 * SECOND_US);
    set(-2 * HOUR_US);
    expect(steady.nowUs()).toBe(START_US + 10 * SECOND_US);
    pass(5 * SECOND_US);
    expect(steady.nowUs()).toBe(START_US + 15 * SECOND_US);
    expect(steady.takeSteps()).toEqual([
      { fromUs: START_US + 10 * SECOND_US, toUs: START_US + 10 * SECOND_US, byUs: -2 * HOUR_US },
    ]);
  });

  it("back by 2 h, then forward by 4 h: it is 2 h further, once", () => {
    const { steady, pass, set } = clocks();
    set(-2 * HOUR_US);
    steady.nowUs();
    pass(60 * SECOND_US);
    set(4 * HOUR_US);
    expect(steady.nowUs()).toBe(START_US + 2 * HOUR_US + 60 * SECOND_US);
    expect(steady.takeSteps().at(1)).toEqual({
      fromUs: START_US + 60 * SECOND_US,
      toUs: START_US + 2 * HOUR_US + 60 * SECOND_US,
      byUs: 4 * HOUR_US,
    });
    pass(SECOND_US);
    expect(steady.nowUs()).toBe(START_US + 2 * HOUR_US + 61 * SECOND_US);
    expect(steady.takeSteps()).toEqual([]);
  });

  it("a machine that slept wakes up at the system's time", () => {
    const { steady, set } = clocks();
    set(30 * SECOND_US);
    expect(steady.nowUs()).toBe(START_US + 30 * SECOND_US);
    expect(steady.takeSteps()).toEqual([
      { fromUs: START_US, toUs: START_US + 30 * SECOND_US, byUs: 30 * SECOND_US },
    ]);
  });

  it("follows small corrections without a step", () => {
    const { steady, pass, set } = clocks();
    pass(SECOND_US);
    set(200_000);
    expect(steady.nowUs()).toBe(START_US + 1_200_000);
    expect(steady.takeSteps()).toEqual([]);
  });
});
