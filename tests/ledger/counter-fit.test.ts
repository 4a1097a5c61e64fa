/** How well does a counter continue a life? Each bound from both sides, worked by hand. */
import { describe, expect, it } from "vitest";
import {
  advance,
  changeWords,
  couldBeReset,
  forwardCost,
  isInTimeForARepeat,
  isLate,
  type LifeState,
  largestStep,
  modulo16,
} from "../../src/ledger/life-state.ts";

const S = 1_000_000;

const life = (change: Partial<LifeState> = {}): LifeState => ({
  number: 1,
  begunBy: "first-heard",
  reason: "",
  firstAtUs: 0,
  lastAtUs: 1_000 * S,
  firstCounter: 100,
  lastCounter: 200,
  highAtUs: 1_000 * S,
  heard: 50,
  recent: [],
  stepsUs: [],
  ...change,
});

describe("the largest step that is believed", () => {
  it("is eight times what the rhythm predicts, and 16", () => {
    // A frame a minute, ten minutes on: 10 predicted.
    expect(largestStep(600 * S, 60 * S)).toBe(8 * 10 + 16);
    expect(largestStep(0, 60 * S)).toBe(16);
  });

  it("is one a second and 16 while the rhythm is not known", () => {
    expect(largestStep(600 * S, null)).toBe(616);
    expect(largestStep(600.9 * S, null)).toBe(616);
  });

  it("is never above MAX_FCNT_GAP, and a rhythm of nothing counts as a microsecond", () => {
    expect(largestStep(1e15, 60 * S)).toBe(16_384);
    expect(largestStep(2, 0)).toBe(8 * 2 + 16);
  });
});

describe("the cost of a step forward", () => {
  it("is least where the rhythm predicts it, with a spread of 0.3 steps and 5 %", () => {
    // Two steps predicted: spread 0.3 + 0.1.
    expect(forwardCost(2, 120 * S, 60 * S)).toBeCloseTo(Math.log(0.4), 12);
    expect(forwardCost(3, 120 * S, 60 * S)).toBeCloseTo((1 / 0.4) ** 2 / 2 + Math.log(0.4), 12);
    expect(forwardCost(1, 120 * S, 60 * S)).toBe(forwardCost(3, 120 * S, 60 * S));
  });

  it("grows slowly with the step while no rhythm is known", () => {
    expect(forwardCost(1, 0, null)).toBe(2);
    expect(forwardCost(10, 0, null)).toBeCloseTo(2 + Math.log(10), 12);
  });
});

describe("a counter that was heard before", () => {
  it("is a repeat within ten minutes of the newest, within a minute once a newer one was heard", () => {
    expect(isInTimeForARepeat(life(), 200, 1_600 * S)).toBe(true);
    expect(isInTimeForARepeat(life(), 200, 1_600 * S + 1)).toBe(false);
    expect(isInTimeForARepeat(life(), 199, 1_060 * S)).toBe(true);
    expect(isInTimeForARepeat(life(), 199, 1_060 * S + 1)).toBe(false);
  });
});

describe("a lower counter", () => {
  const late = (
    counter: number,
    elapsedS: number,
    rhythm: number | null = null,
    of: Partial<LifeState> = {},
  ) => isLate(life(of), counter, 200 - counter, elapsedS * S, rhythm);

  it("is late up to 32 counters and a minute behind", () => {
    expect(late(168, 60)).toBe(true);
    expect(late(167, 60)).toBe(false);
    expect(late(199, 60.000001)).toBe(false);
  });

  it("more than two behind must also have been due within the minute", () => {
    expect(late(198, 1, 60 * S)).toBe(true);
    expect(late(197, 1, 60 * S)).toBe(false);
    expect(late(197, 1, 20 * S)).toBe(true);
    expect(late(197, 1, 20 * S + 1)).toBe(false);
  });

  it("goes below the first counter of a life only while that is too young to tell a fall", () => {
    const young = { firstCounter: 199, heard: 2 };
    expect(late(198, 1, null, young)).toBe(true);
    expect(late(198, 1, null, { ...young, heard: 3 })).toBe(false);
    expect(late(199, 1, null, { ...young, heard: 3 })).toBe(true);
  });

  it("beyond the counters that are remembered is none, whatever is told of how far it lies behind", () => {
    expect(isLate(life(), 137, 2, S, null)).toBe(true);
    expect(isLate(life(), 136, 2, S, null)).toBe(false);
  });
});

describe("a device that began again", () => {
  it("at 0, 1 or 2 needs no time", () => {
    expect(couldBeReset(life(), 1, { counter: 2, atUs: 1_000 * S })).toBe(true);
    expect(couldBeReset(life(), 200, { counter: 3, atUs: 1_000 * S })).toBe(false);
  });

  it("had the time to count so far at 0.4 of its rhythm, and stays below the old counter", () => {
    const steady = life({ stepsUs: new Array<number>(8).fill(60 * S) });
    // Ten counters from 0 to 9 at 24 s each.
    expect(couldBeReset(steady, 200, { counter: 9, atUs: 1_240 * S })).toBe(true);
    expect(couldBeReset(steady, 200, { counter: 9, atUs: 1_240 * S - 1 })).toBe(false);
    expect(couldBeReset(steady, 9, { counter: 9, atUs: 9_000 * S })).toBe(false);
  });

  it("counts at 0.4 s at the fastest while no rhythm is known", () => {
    expect(couldBeReset(life(), 200, { counter: 9, atUs: 1_004 * S })).toBe(true);
    expect(couldBeReset(life(), 200, { counter: 9, atUs: 1_004 * S - 1 })).toBe(false);
  });
});

describe("a counter taken in", () => {
  it("moves height and rhythm, the time shared out over its steps", () => {
    const one = life();
    advance(one, 204, 1_040 * S);
    expect(one).toMatchObject({ lastCounter: 204, highAtUs: 1_040 * S, stepsUs: [10 * S] });
    // A clock that stepped back gives no negative rhythm.
    advance(one, 205, 1_000 * S);
    expect(one.stepsUs).toEqual([10 * S, 0]);
  });

  it("keeps the newest 32 steps", () => {
    const one = life({ stepsUs: Array.from({ length: 32 }, (_, i) => i) });
    advance(one, 201, 1_001 * S);
    expect(one.stepsUs).toHaveLength(32);
    expect(one.stepsUs[0]).toBe(1);
    expect(one.stepsUs.at(-1)).toBe(S);
  });

  it("is told as a rise or a fall", () => {
    expect(changeWords(4_212, 0)).toBe("counter fell from 4\u202F212 to 0");
    expect(changeWords(7, 9_000)).toBe("counter went from 7 to 9\u202F000");
    expect(changeWords(7, 7)).toBe("counter went from 7 to 7");
  });

  it("has a remainder that is never negative", () => {
    expect([-1, 0, 65_535, 65_536, -65_537].map(modulo16)).toEqual([65_535, 0, 65_535, 0, 65_535]);
  });
});
