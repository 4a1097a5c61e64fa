import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { gapsAsKnown } from "../../../src/store/gaps/gaps-as-known.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US } from "../traffic.ts";

const NODE = "01A2B3C4";
const OTHER = "01A2B3C5";
const FRAMES = 2_600;
/** Frames that nobody heard of NODE: a gap after the first kept state, one after the second. */
const MISSED = [
  [400, 409],
  [1_500, 1_512],
  [2_450, 2_470],
] as const;

/** Two nodes every ten seconds for some seven hours. */
function longLife(): Store {
  const traffic: DecodedArrival[] = [];
  for (let i = 0; i < FRAMES; i++) {
    const atS = 10 * i;
    if (i % 2 === 0) traffic.push(pull(SHED, atS, i % 65_536));
    if (!MISSED.some(([from, to]) => i >= from && i <= to))
      traffic.push(push(SHED, atS + 2, [{ payload: phy(NODE, i), snrDb: 4 }], i % 65_536));
    traffic.push(push(SHED, atS + 5, [{ payload: phy(OTHER, 7_000 + i), snrDb: 4 }], (i + 9) % 65_536));
  }
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  for (let i = 0; i < traffic.length; i += 500)
    recorder.record(traffic.slice(i, i + 500), { deferSettling: true });
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return store;
}

function knownAt(store: Store, frame: number) {
  const range = { fromUs: START_US, toUs: START_US + 10 * FRAMES * 1e6 };
  return gapsAsKnown(store, range, START_US + (10 * frame + 5) * 1e6, judgeGap).gaps;
}

describe("the gaps that were known at a moment", () => {
  const store = longLife();

  it("are those that had ended, and the silence that went on", () => {
    expect(knownAt(store, 395)).toEqual([]);
    expect(knownAt(store, 408)).toMatchObject([{ kind: "silence", open: 1, missed: 0 }]);
    expect(knownAt(store, 420)).toMatchObject([{ kind: "counters", open: 0, missed: 10 }]);
    expect(knownAt(store, 2_500).map(({ missed }) => missed)).toEqual([21, 13, 10]);
  });

  it("are the same from a state kept on the way as from the beginning of the life", () => {
    const moments = [395, 405, 420, 1_200, 1_506, 1_530, 2_300, 2_460, 2_500];
    const kept = store.prepare("SELECT count(*) FROM gap_watch_past").pluck().get() as number;
    expect(kept).toBeGreaterThanOrEqual(4);
    const withStates = moments.map((frame) => knownAt(store, frame));
    store.exec("DELETE FROM gap_watch_past");
    expect(moments.map((frame) => knownAt(store, frame))).toEqual(withStates);
  });
});
