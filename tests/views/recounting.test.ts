import { describe, expect, it } from "vitest";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";

const WINDOW = { fromUs: START_US, toUs: START_US + 3_600_000_000, live: false };

describe("a node whose frames came out of order", () => {
  it("is said to be worked out until its counters are counted again", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    const heard = (minute: number) => push(SHED, minute * 60, [{ payload: phy("01F2A101", minute) }], minute);
    for (let minute = 0; minute < 20; minute++) if (minute !== 5) recorder.record([heard(minute)]);
    // Left to the steps between datagrams, as after a long import.
    recorder.record([heard(5)], { deferSettling: true });
    const row = () => nodesView(db, WINDOW).nodes[0];
    expect(row()).toMatchObject({
      recounting: true,
      standing: "waiting",
      clause: "not final yet: its counters are being counted again",
    });
    expect(nodePage(db, WINDOW, "01F2A101", 1)?.row.recounting).toBe(true);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    expect(row()).toMatchObject({ heard: 20, missed: 0, standing: "good" });
    expect(row()?.recounting).toBeUndefined();
    db.close();
  });
});
