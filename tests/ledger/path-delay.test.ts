import { describe, expect, it } from "vitest";
import { newPathClock, pathDelayUs } from "../../src/ledger/concentrator-time.ts";

const WRAP = 4_294_967_296;

/** Readings every `everyS` seconds; `lateS` says how late each arrives; the counter starts near its wrap. */
function delays(
  latesS: readonly number[],
  { everyS = 30, ppm = 0, startUs = WRAP - 60_000_000 } = {},
): number[] {
  let clock: ReturnType<typeof newPathClock> | null = null;
  return latesS.map((lateS, i) => {
    const heardUs = i * everyS * 1e6;
    const reading = {
      tmstUs: Math.round(startUs + heardUs * (1 + ppm / 1e6)) % WRAP,
      atUs: heardUs + Math.round(lateS * 1e6) + 20_000,
    };
    if (clock === null) {
      clock = newPathClock(reading);
      return 0;
    }
    return pathDelayUs(clock, reading) / 1e6;
  });
}

const prompt = (count: number) => Array<number>(count).fill(0);

describe("the delay of the path", () => {
  it("dates back a packet that arrives seconds late, across the counter's wrap", () => {
    const told = delays([...prompt(12), 3.5, 0, 0]);
    expect(told[12]).toBeCloseTo(3.5, 2);
    expect(told.filter((one) => one !== 0).length).toBe(1);
  });

  it("dates back a packet that comes after more than half a turn of the counter", () => {
    // Every 40 min, of a counter that turns over in 71.6.
    const told = delays([...prompt(12), 3.5, 0], { everyS: 2_400 });
    expect(told.slice(0, 12)).toEqual(prompt(12));
    expect(told[12]).toBeCloseTo(3.5, 1);
  });

  it("believes fifty late ones in a row, and no more: the clocks stand otherwise then", () => {
    const told = delays([...prompt(12), ...Array<number>(70).fill(3.5)]).slice(12);
    expect(told.filter((one) => one > 3)).toHaveLength(50);
    expect(told.slice(50)).toEqual(prompt(20));
  });

  it("believes no counter that has not proved even first", () => {
    expect(delays([0, 0, 3.5, 0])).toEqual([0, 0, 0, 0]);
  });

  it("is counted from the promptest packets, not from those that jitter held up", () => {
    const told = delays([...prompt(12), 0.2, 0.2, 0.2, 0.45]);
    expect(told.slice(0, 15)).toEqual(Array<number>(15).fill(0));
    expect(told[15]).toBeCloseTo(0.45, 1);
  });

  it("takes jitter for jitter", () => {
    expect(delays([...prompt(12), 0.2, 0.05, 0.25]).every((one) => one === 0)).toBe(true);
  });

  it("does not take a drifting clock for lateness, however long it drifts", () => {
    expect(delays(prompt(2_000), { everyS: 300, ppm: -30 }).every((one) => one === 0)).toBe(true);
    expect(delays(prompt(2_000), { everyS: 300, ppm: 30 }).every((one) => one === 0)).toBe(true);
  });

  it("takes a packet that is early by no more than jitter and drift for the promptest so far", () => {
    // 1000 s at 50 ppm are 0.05 s, and 0.3 s of jitter: 0.34 s early is believed, and counted from.
    const early = delays([...prompt(12), -0.34, 0.02], { everyS: 1_000 });
    expect(early[13]).toBeCloseTo(0.36, 2);
    // 0.36 s early is not: the clocks stand otherwise, and nothing is dated until they have proved even.
    expect(delays([...prompt(12), -0.36, 0.02], { everyS: 1_000 })[13]).toBe(0);
  });

  it("does not judge a packet that arrived before its predecessor, and keeps what it knows", () => {
    const clock = newPathClock({ tmstUs: 10_000_000, atUs: 50_000_000 });
    const before = { ...clock };
    expect(pathDelayUs(clock, { tmstUs: 15_000_000, atUs: 49_999_999 })).toBe(0);
    expect(clock).toEqual(before);
  });

  it("begins again when the counter began again, and when the capturing clock was set", () => {
    const stepped = delays([...prompt(12), ...Array<number>(60).fill(600), 600]);
    expect(stepped.every((one) => one === 0)).toBe(true);
  });

  it("never dates by a counter that counts seconds instead of microseconds", () => {
    let clock = newPathClock({ tmstUs: 1_558_537_799, atUs: 0 });
    for (let i = 1; i < 200; i++) {
      expect(pathDelayUs(clock, { tmstUs: 1_558_537_799 + i * 30, atUs: i * 30e6 })).toBe(0);
    }
    clock = newPathClock({ tmstUs: 0, atUs: 0 });
    expect(pathDelayUs(clock, { tmstUs: 5, atUs: -1 })).toBe(0);
  });
});

describe("a counter that dates nothing", () => {
  const follow = (counts: readonly number[]) => {
    const clock = newPathClock({ tmstUs: (counts[0] ?? 0) * 1e6, atUs: 0 });
    return counts
      .slice(1)
      .map((count, i) => pathDelayUs(clock, { tmstUs: count * 1e6, atUs: (i + 1) * 1e6 }));
  };

  it("began again after 12 s: its packets are not late", () => {
    expect(follow(Array.from({ length: 40 }, (_, i) => (i % 12) + 0.5)).every((delay) => delay === 0)).toBe(
      true,
    );
  });

  it("stands still after 12 s: its packets are not late", () => {
    expect(
      follow(Array.from({ length: 40 }, (_, i) => Math.min(i, 12) + 500)).every((delay) => delay === 0),
    ).toBe(true);
  });
});
