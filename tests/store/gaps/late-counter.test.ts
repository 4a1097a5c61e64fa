import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { openStore } from "../../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { nodesView } from "../../../src/views/nodes.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../traffic.ts";

const NODE = "01A2B3C4";
const WINDOW = { fromUs: START_US, toUs: START_US + 7_200e6, live: false };

/** A node every minute for two hours; the shed misses the counters 40 to 59. */
function traffic(): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let s = 0; s < 7_200; s += 20) all.push(pull(SHED, s, (s / 20) % 65_536));
  for (let counter = 0; counter < 120; counter++)
    if (counter < 40 || counter > 59)
      all.push(push(SHED, counter * 60 + 7, [{ payload: phy(NODE, counter) }], counter));
  return all.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

describe("a counter that another gateway hands in late", () => {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  const finish = () => {
    recorder.settle();
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
  };
  const rows = () =>
    store
      .prepare(
        `SELECT first_missed AS "first", last_missed AS "last", missed, (from_us - ?) / 1e6 AS "from", (to_us - ?) / 1e6 AS "to"
         FROM gap WHERE kind = 'counters' AND shown = 1 ORDER BY from_us`,
      )
      .all(START_US, START_US);
  const figures = () => {
    const [{ heard, missed, expected, deliveryRatio } = {}] = nodesView(store, WINDOW).nodes;
    return { heard, missed, expected, deliveryRatio };
  };

  it("was missed before", () => {
    recorder.record(traffic());
    finish();
    expect(rows()).toEqual([{ first: 40, last: 59, missed: 20, from: 39 * 60 + 7, to: 60 * 60 + 7 }]);
    expect(figures()).toEqual({ heard: 100, missed: 20, expected: 120, deliveryRatio: 100 / 120 });
  });

  it("is missed no longer, in the gap nor in the node's figures", () => {
    recorder.record([push(TOWER, 50 * 60 + 7, [{ payload: phy(NODE, 50) }], 9_000)]);
    finish();
    // One loss in twenty minutes with a frame amid it is one episode.
    expect(rows()).toEqual([{ first: 40, last: 59, missed: 19, from: 39 * 60 + 7, to: 60 * 60 + 7 }]);
    expect(figures()).toEqual({ heard: 101, missed: 19, expected: 120, deliveryRatio: 101 / 120 });
  });
});
