/** When were missed counters due, and which of them may have been sent while nothing was recorded? */
import { describe, expect, it } from "vitest";
import { dueBetween, dueTimes, lostToNobody, widened } from "../../src/model/time-range.ts";

const S = 1_000_000;
const seconds = (ranges: readonly { fromUs: number; toUs: number }[]) =>
  ranges.map(({ fromUs, toUs }) => [fromUs / S, (toUs - 1) / S]);

/** Heard at 0 s and 400 s with three counters between: due at 100, 200 and 300 s. */
const run = { fromUs: 0, toUs: 400 * S, missed: 3 };

describe("missed counters", () => {
  it("were due at even steps between the two that were heard", () => {
    expect([...dueTimes(run)].map((us) => us / S)).toEqual([100, 200, 300]);
    expect([...dueTimes({ ...run, missed: 0 })]).toEqual([]);
  });

  it("of a node in a rhythm may be off by a tenth of a step and 2 s, of another by a whole step", () => {
    const pause = [{ fromUs: 150 * S, toUs: 180 * S }];
    expect(seconds(widened(pause, run, true))).toEqual([[138, 192]]);
    expect(seconds(widened(pause, run, false))).toEqual([[50, 280]]);
  });

  it("are lost to nobody where they may have fallen into a pause of the recording", () => {
    // In a rhythm 12 s of slack: a pause from 212 s on reaches the counter due at 200 s, one from 212.1 s on does not.
    const pause = (fromS: number, toS: number) => [{ fromUs: fromS * S, toUs: toS * S }];
    expect(lostToNobody(run, pause(212, 250), true)).toBe(1);
    expect(lostToNobody(run, pause(212.1, 250), true)).toBe(0);
    expect(lostToNobody(run, pause(150, 188), true)).toBe(1);
    expect(lostToNobody(run, pause(150, 187.9), true)).toBe(0);
    expect(lostToNobody(run, pause(150, 250), false)).toBe(3);
    expect(lostToNobody(run, pause(120, 150), false)).toBe(2);
  });

  it("are not touched by a pause that lies before or after the run, nor is there any without a miss", () => {
    const beside = [
      { fromUs: -50 * S, toUs: 0 },
      { fromUs: 400 * S, toUs: 500 * S },
    ];
    expect(widened(beside, run, false)).toEqual([]);
    expect(lostToNobody(run, beside, false)).toBe(0);
    expect(lostToNobody({ ...run, missed: 0 }, [{ fromUs: 0, toUs: 400 * S }], true)).toBe(0);
    expect(lostToNobody({ ...run, missed: -1 }, [{ fromUs: 0, toUs: 400 * S }], true)).toBe(0);
    expect(lostToNobody(run, [], true)).toBe(0);
  });

  it("are counted once, however many pauses they may have fallen into", () => {
    const pauses = [
      { fromUs: 90 * S, toUs: 99 * S },
      { fromUs: 101 * S, toUs: 110 * S },
    ];
    expect(lostToNobody(run, pauses, true)).toBe(1);
  });
});

describe("counters due between two heard frames", () => {
  const before = { counter: 7, atUs: 0 };
  const after = { counter: 11, atUs: 400 * S };
  const whole = [{ fromUs: 0, toUs: 400 * S + 1 }];
  const due = (...given: Parameters<typeof dueBetween>) => [...dueBetween(...given)].map((us) => us / S);

  it("are told where all of the time can be used", () => {
    expect(due(before, after, whole)).toEqual([100, 200, 300]);
    expect(due(before, after, [{ fromUs: 0, toUs: 400 * S }])).toEqual([]);
    expect(due(before, after, [{ fromUs: 1, toUs: 500 * S }])).toEqual([]);
    expect(due(before, after, [])).toEqual([]);
  });

  it("are told up to a bound, and where time passed at all", () => {
    expect(due(before, after, whole, 3)).toEqual([100, 200, 300]);
    expect(due(before, after, whole, 2)).toEqual([]);
    expect(due(before, { counter: 8, atUs: 400 * S }, whole)).toEqual([]);
    expect(due(before, { counter: 9, atUs: 400 * S }, whole)).toEqual([200]);
    expect(due(before, { counter: 11, atUs: 0 }, whole)).toEqual([]);
  });
});
