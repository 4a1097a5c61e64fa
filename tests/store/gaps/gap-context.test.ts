import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { sceneOfGap } from "../../../src/store/gaps/gap-context.ts";
import { contextOf } from "../../../src/store/gaps/gap-rows.ts";
import { openStore } from "../../../src/store/open.ts";
import { gapsInWindow } from "../../../src/store/queries/gaps.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US } from "../traffic.ts";

const MIN = 60e6;
const HOUR = 60 * MIN;

describe("the time around a gap that its evidence comes from", () => {
  const gap = { fromUs: 100 * HOUR, toUs: 101 * HOUR };
  // Before: 60 intervals, within 6 and 24 h. After: 8 intervals, within 1 and 2 h.
  it.each([
    [MIN, 6, 1],
    [10 * MIN, 10, 8 / 6],
    [null, 10, 8 / 6],
    [HOUR, 24, 2],
  ])("at an interval of %s us reaches %s h back and %s h on", (rhythmUs, beforeH, afterH) => {
    expect(contextOf({ ...gap, rhythmUs })).toEqual({
      fromUs: (100 - beforeH) * HOUR,
      toUs: (101 + afterH) * HOUR,
    });
  });

  it("ends an hour after the gap of a node that sends every minute, however long the traffic goes on", () => {
    const traffic: DecodedArrival[] = [];
    for (let s = 0; s < 4 * 3_600; s += 20) traffic.push(pull(SHED, s, (s / 20) % 65_536));
    for (let minute = 0; minute < 240; minute++) {
      const isSilent = minute > 60 && minute < 90;
      if (!isSilent)
        traffic.push(push(SHED, minute * 60 + 7, [{ payload: phy("01A2B3C4", isAfter(minute)) }], minute));
      traffic.push(
        push(SHED, minute * 60 + 31, [{ payload: phy("01A2B3C6", 700 + minute, 0x21) }], 1_000 + minute),
      );
    }
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    recorder.record(traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    const [found, ...others] = gapsInWindow(store, { fromUs: START_US, toUs: START_US + 4 * HOUR }, 10);
    expect(others).toEqual([]);
    // From the frame at 60:07 to the one at 90:07; its counter went on by one, so nothing is missed.
    const scene = found === undefined ? null : sceneOfGap(store, found);
    const [fromUs, toUs] = [START_US + 60 * MIN + 7e6, START_US + 90 * MIN + 7e6];
    expect(scene?.within).toEqual({ fromUs, toUs });
    expect(scene?.before).toEqual({ fromUs: START_US, toUs: fromUs });
    expect(scene?.after).toEqual({ fromUs: toUs, toUs: toUs + HOUR });
    // The last is the node's own at 150:07, which stands at the very end; 61 and 61 of it and 150 of its neighbour.
    expect(scene?.receptions.at(-1)?.atUs).toBe(START_US + 150 * MIN + 7e6);
    expect(scene?.receptions).toHaveLength(61 + 61 + 150);
  });
});

describe("the time before a gap", () => {
  it("begins with the frame of six hours before, and holds none that came earlier in the same ten minutes", () => {
    // Every minute at :07 for eight hours but for 400 to 409; six hours before frame 399 came frame 39.
    const traffic: DecodedArrival[] = [];
    for (let minute = 0; minute < 480; minute++)
      if (minute < 400 || minute > 409)
        traffic.push(push(SHED, minute * 60 + 7, [{ payload: phy("01A2B3C4", minute) }], minute));
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    recorder.record(traffic);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    const [found] = gapsInWindow(store, { fromUs: START_US, toUs: START_US + 8 * HOUR }, 10);
    const scene = found === undefined ? null : sceneOfGap(store, found);
    expect(scene?.before.fromUs).toBe(START_US + 39 * MIN + 7e6);
    expect(scene?.receptions.slice(0, 2).map(({ counter }) => counter)).toEqual([39, 40]);
    expect(scene?.receptions.at(-1)?.counter).toBe(470);
  });
});

/** The counter of a node that was silent from minute 61 to 89 and counts what it sends. */
function isAfter(minute: number): number {
  return minute > 60 ? minute - 29 : minute;
}
