/**
 * Are hours that a reading connection keeps ever stale? After each change a moving window is asked until its hours are
 * kept, and again: the answers must be those of the rows (a writer's open transaction keeps and uses nothing).
 */
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { beginForgetting } from "../../src/store/forget.ts";
import { GATHERED_HOUR_US } from "../../src/store/hours/gathered.ts";
import { HeardHours } from "../../src/store/hours/heard-hours.ts";
import { dropGathered } from "../../src/store/hours/hour-gatherer.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { siteView } from "../../src/views/site.ts";
import { strangersView } from "../../src/views/strangers.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { HOURS, nodeOf, traffic } from "./six-hours.ts";

const FIRST_HOUR = START_US / GATHERED_HOUR_US;

/** An object of its own for each answer. */
function moving() {
  return { fromUs: START_US + 200e6, toUs: START_US + HOURS * 3_600e6 + 1, live: true };
}

function answers(db: Store): unknown {
  return JSON.parse(
    JSON.stringify({
      site: siteView(db, moving()),
      gateways: gatewaysView(db, moving()),
      air: airView(db, moving()),
      strangers: strangersView(db, moving()),
    }),
  );
}

const isKept = (db: Store, hour: number) => new HeardHours(db, moving()).hour(FIRST_HOUR + hour) !== null;

function expectAsFromRows(db: Store): void {
  for (let asked = 0; asked < 2; asked++) answers(db);
  const fromRows = db.transaction(() => answers(db))();
  expect(answers(db)).toEqual(fromRows);
}

function recorded(seed: number): { db: Store; recorder: Recorder; gather: () => void } {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  const gather = () => {
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
  };
  recorder.record(traffic(seed));
  gather();
  return { db, recorder, gather };
}

const late = (counter: number, atS: number) =>
  push(SHED, atS, [{ payload: phy(nodeOf(0), counter), snrDb: -3 }], 61_000 + (counter % 100));

describe("hours that are kept", { timeout: 120_000 }, () => {
  it("are read once, four in an answer", () => {
    const { db } = recorded(1);
    const first = new HeardHours(db, moving());
    const hours = [0, 1, 2, 3, 4].map((hour) => first.hour(FIRST_HOUR + hour));
    expect(hours.map((hour) => hour === null)).toEqual([false, false, false, false, true]);
    const second = new HeardHours(db, moving());
    expect(second.hour(FIRST_HOUR)).toBe(hours[0]);
    expect(second.hour(FIRST_HOUR + 4)).not.toBeNull();
    // The last hour is still under way.
    expect(second.hour(FIRST_HOUR + HOURS - 1)).toBeNull();
  });

  it("are none for a window that stands still, nor within a writer's transaction", () => {
    const { db } = recorded(1);
    expect(new HeardHours(db, { ...moving(), live: false }).hour(FIRST_HOUR)).toBeNull();
    expect(db.transaction(() => new HeardHours(db, moving()).hour(FIRST_HOUR))()).toBeNull();
  });

  it("hold the packets of the rows, ghosts left out", () => {
    const { db } = recorded(2);
    const heard = new HeardHours(db, moving()).hour(FIRST_HOUR + 3);
    const count = db
      .prepare("SELECT count(*) FROM reception WHERE at_us >= ? AND at_us < ? AND ghost = 0")
      .pluck()
      .get((FIRST_HOUR + 3) * GATHERED_HOUR_US, (FIRST_HOUR + 4) * GATHERED_HOUR_US);
    expect(heard?.length).toBe(count);
  });

  it("give the answers of the rows", () => {
    const { db } = recorded(3);
    expectAsFromRows(db);
    expect(isKept(db, 1)).toBe(true);
  });

  it("are let go when a packet comes late, and are read anew once they are gathered again", () => {
    const { db, recorder, gather } = recorded(4);
    expectAsFromRows(db);
    recorder.record([late(70_000, 2 * 3_600 + 100)]);
    // A frame of the hour may go on in the next.
    expect([1, 2, 3, 4].map((hour) => isKept(db, hour))).toEqual([true, false, false, true]);
    expectAsFromRows(db);
    gather();
    expectAsFromRows(db);
    expect(isKept(db, 2)).toBe(true);
  });

  it("are let go when an hour changed and was gathered again before anybody asked", () => {
    const { db, recorder, gather } = recorded(5);
    const before = new HeardHours(db, moving()).hour(FIRST_HOUR + 2);
    recorder.record([late(70_001, 2 * 3_600 + 100)]);
    gather();
    const after = new HeardHours(db, moving()).hour(FIRST_HOUR + 2);
    expect(after?.length).toBe((before?.length ?? 0) + 1);
    expectAsFromRows(db);
  });

  it("follow a node and a gateway that are forgotten", () => {
    const { db, recorder, gather } = recorded(6);
    expectAsFromRows(db);
    recorder.write((store) => beginForgetting(store, { kind: "node", id: nodeOf(1) }));
    recorder.write((store) => beginForgetting(store, { kind: "gateway", id: TOWER }));
    while (recorder.forgetMore(500));
    expectAsFromRows(db);
    gather();
    expectAsFromRows(db);
  });

  it("follow hours that are gathered anew from the beginning", () => {
    const { db, recorder, gather } = recorded(7);
    expectAsFromRows(db);
    dropGathered(db);
    expect(isKept(db, 1)).toBe(false);
    recorder.record([late(70_002, 3_600 + 100)]);
    gather();
    expectAsFromRows(db);
    expect(isKept(db, 1)).toBe(true);
  });
});
