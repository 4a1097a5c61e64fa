/**
 * Do views answer the same from gathered hours as from the rows beneath them? The rows are the oracle: each window is
 * asked of a store with its gathered hours, and of the same store after they were taken away.
 */
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { beginForgetting } from "../../src/store/forget.ts";
import { GATHERED_HOUR_US, windowParts } from "../../src/store/hours/gathered.ts";
import { dropGathered } from "../../src/store/hours/hour-gatherer.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { listNodes, nodesView } from "../../src/views/nodes.ts";
import { planView } from "../../src/views/plan.ts";
import { siteView } from "../../src/views/site.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { HOURS, nodeOf, traffic } from "./six-hours.ts";

function answers(db: Store, window: AskedWindow): unknown {
  return JSON.parse(
    JSON.stringify({
      nodes: nodesView(db, window),
      // Of a crowd only the listed are read.
      few: listNodes(db, window, 2),
      gateways: gatewaysView(db, window),
      site: siteView(db, window),
      air: airView(db, window),
      plan: planView(db, window, []),
      bench: benchView(db, window, SHED),
    }),
  );
}

/** The last one is so long that its cells are whole hours. */
const WINDOWS: AskedWindow[] = [
  [0, HOURS * 3_600],
  [1_111, 17_000],
  [3_600, 10_800],
  [7_300, 7_900],
  [-40 * 86_400 + 700, HOURS * 3_600 - 900],
].map(([fromS = 0, toS = 0]) => ({
  fromUs: START_US + fromS * 1e6,
  toUs: START_US + toS * 1e6,
  live: false,
}));

function expectSameFromRows(db: Store): void {
  const [whole] = WINDOWS;
  if (whole === undefined) throw new Error("no window");
  const gathered = WINDOWS.map((window) => answers(db, window));
  expect(windowParts(db, whole).hours).not.toEqual([]);
  dropGathered(db);
  expect(windowParts(db, whole).hours).toEqual([]);
  expect(gathered).toEqual(WINDOWS.map((window) => answers(db, window)));
}

const gatherAll = (recorder: Recorder) => {
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
};

describe("answers from gathered hours", { timeout: 240_000 }, () => {
  it("equal those from the rows, for whole and ragged windows", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, judgeGap);
    recorder.record(traffic(1));
    gatherAll(recorder);
    expect(db.prepare("SELECT count(*) FROM reception WHERE ghost = 1").pluck().get()).toBeGreaterThan(5);
    expectSameFromRows(db);
  });

  it("equal those from the rows when traffic comes late, in any order, between two gatherings", () => {
    fc.assert(
      fc.property(fc.nat(9_999), fc.shuffledSubarray([0, 1, 2, 3], { minLength: 4 }), (seed, order) => {
        const db = openStore(":memory:");
        const recorder = new Recorder(db, judgeGap);
        const all = traffic(seed);
        for (const part of order) {
          recorder.record(
            all.filter((_, i) => (i * 7) % 4 === part || (i > all.length / 2 && part === order[1])),
          );
          gatherAll(recorder);
        }
        expectSameFromRows(db);
      }),
      { numRuns: 2, endOnFailure: true },
    );
  });

  it("equal those from the rows after a gateway and a node were forgotten", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, judgeGap);
    recorder.record(traffic(3));
    gatherAll(recorder);
    recorder.write((store) => beginForgetting(store, { kind: "node", id: nodeOf(1) }));
    recorder.write((store) => beginForgetting(store, { kind: "gateway", id: TOWER }));
    while (recorder.forgetMore(500));
    // Some hours are gathered again, the others are still due.
    for (let i = 0; i < 3; i++) recorder.workOnGaps({ patient: false, nowUs: null });
    gatherAll(recorder);
    expectSameFromRows(db);
  });

  it("leave out an hour of which a row changed, until it is gathered again", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    recorder.record(traffic(4));
    gatherAll(recorder);
    const [whole] = WINDOWS;
    if (whole === undefined) throw new Error("no window");
    const begin = START_US / GATHERED_HOUR_US;
    expect(windowParts(db, whole).hours).toEqual([{ from: begin, to: begin + HOURS - 1 }]);
    recorder.record([push(SHED, 2 * 3_600 + 100, [{ payload: phy(nodeOf(9), 1) }], 60_000)]);
    expect(windowParts(db, whole).hours).toEqual([
      { from: begin, to: begin + 2 },
      { from: begin + 3, to: begin + HOURS - 1 },
    ]);
    gatherAll(recorder);
    expect(windowParts(db, whole).hours).toEqual([{ from: begin, to: begin + HOURS - 1 }]);
  });
});
