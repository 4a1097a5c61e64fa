import { describe, expect, it } from "vitest";
import { keepHeartbeat } from "../../src/intake/recorder-tasks.ts";
import type { ClockStep } from "../../src/intake/system.ts";
import { openStore } from "../../src/store/open.ts";
import { recordedRanges } from "../../src/store/recorded-time.ts";
import { Recorder } from "../../src/store/recorder.ts";

const START_US = Date.UTC(2026, 2, 14, 9) * 1000;
const SECOND_US = 1_000_000;

function heart() {
  const db = openStore(":memory:");
  let atUs = START_US;
  let steps: ClockStep[] = [];
  let due: (() => void) | null = null;
  const logged: string[] = [];
  const heartbeat = keepHeartbeat({
    recorder: new Recorder(db),
    nowUs: () => atUs,
    takeSteps: () => steps.splice(0),
    after: (_delayMs, work) => {
      due = work;
    },
    log: (sentence) => logged.push(sentence),
  });
  return {
    heartbeat,
    logged,
    /** Seconds go by with a heartbeat each. */
    seconds(count: number): void {
      for (let i = 0; i < count; i++) {
        atUs += SECOND_US;
        due?.();
      }
    },
    step(byUs: number): void {
      steps = [{ fromUs: atUs, toUs: Math.max(atUs, atUs + byUs), byUs }];
      atUs = Math.max(atUs, atUs + byUs);
      due?.();
    },
    jump(us: number): void {
      atUs += us;
      due?.();
    },
    ranges: () =>
      recordedRanges(db, 0, Number.MAX_SAFE_INTEGER).map(({ fromUs, toUs }) => [
        (fromUs - START_US) / SECOND_US,
        Math.floor((toUs - START_US) / SECOND_US),
      ]),
  };
}

describe("the service's heartbeat", () => {
  it("dates a crash to within two seconds", () => {
    const { seconds, ranges } = heart();
    seconds(61);
    expect(ranges()).toEqual([[0, 60]]);
  });

  it("an end in order is dated exactly", () => {
    const { seconds, heartbeat, ranges } = heart();
    seconds(61);
    heartbeat.stop();
    expect(ranges()).toEqual([[0, 61]]);
  });

  it("a step of the clock forward is a boundary, one back is none", () => {
    const { seconds, step, ranges, logged } = heart();
    seconds(10);
    step(-7_200 * SECOND_US);
    seconds(10);
    step(14_400 * SECOND_US);
    seconds(10);
    expect(ranges()).toEqual([
      [0, 20],
      [14_420, 14_430],
    ]);
    expect(logged).toEqual([
      "This machine's clock was set back by 2 hours. Recorded times go on from the earlier clock.",
      "This machine's clock moved forward by 4 hours: it slept, or the clock was set. That time was not recorded.",
    ]);
  });

  it("a heartbeat 40 s late was asleep", () => {
    const { seconds, jump, ranges } = heart();
    seconds(10);
    jump(40 * SECOND_US);
    seconds(10);
    expect(ranges()).toEqual([
      [0, 10],
      [50, 60],
    ]);
  });
});
