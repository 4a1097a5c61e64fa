import { describe, expect, it } from "vitest";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { phy, pull, push, SHED, START_US } from "../store/traffic.ts";

/** Ten frames a minute apart from 0 s, then silence; another node that goes on; keepalives all along. */
function site(untilS: number) {
  const db = openStore(":memory:");
  const traffic = [];
  for (let at = 0; at < untilS; at += 10) traffic.push(pull(SHED, at, (at / 10) % 65_536));
  for (let i = 0; i < 10; i++) traffic.push(push(SHED, i * 60 + 1, [{ payload: phy("01000001", i) }], i));
  for (let at = 0; at < untilS; at += 60) {
    traffic.push(push(SHED, at + 2, [{ payload: phy("01000002", at / 60, 7) }], 1_000 + at / 60));
  }
  new Recorder(db).record(traffic);
  return db;
}

const hourUpTo = (untilS: number) => ({
  fromUs: START_US + (untilS - 3600) * 1e6,
  toUs: START_US + untilS * 1e6,
  live: true,
});

describe("a node that fell silent before a live window", () => {
  const untilS = 9_000;
  const db = site(untilS);

  it("is still listed, with nothing heard and its silence said first", () => {
    const { nodes } = nodesView(db, hourUpTo(untilS));
    expect(nodes.map(({ devAddr, frames, overdue }) => ({ devAddr, frames, overdue }))).toEqual([
      { devAddr: "01000001", frames: 0, overdue: true },
      { devAddr: "01000002", frames: 60, overdue: false },
    ]);
    const [silent] = nodes;
    expect(silent).toMatchObject({ heard: 0, expected: 0, missed: 0, deliveryRatio: null, standing: "look" });
    // The tenth frame came at 541 s, one a minute.
    expect(silent).toMatchObject({ rhythmSeconds: 60, life: 1, missedDuringOutage: 0 });
    expect(silent?.lastHeard).toBe(new Date(START_US / 1000 + 541_000).toISOString());
    expect(silent?.clause).toBe("silent for 2\u202Fh 21\u202Fmin, it sent about every 1\u202Fmin");
  });

  it("is listed for seven days from its last frame, to the microsecond", () => {
    const lastS = 541;
    const later = site(600);
    const fromS = lastS + 7 * 86_400;
    const calls = Array.from({ length: 360 }, (_, i) => pull(SHED, fromS + 10 * i, 1_000 + i));
    new Recorder(later).record(calls);
    const listed = (more: number) =>
      nodesView(later, { ...hourUpTo(fromS + 3_600), fromUs: START_US + fromS * 1e6 + more }).nodes.some(
        ({ devAddr }) => devAddr === "01000001",
      );
    expect([listed(0), listed(1)]).toEqual([true, false]);
  });

  it("stands among the nodes that need a look, and is not counted as heard", () => {
    const view = siteView(db, hourUpTo(untilS));
    expect(view.attention.map(({ devAddr }) => devAddr)).toEqual(["01000001"]);
    expect(view.nodeCount).toBe(1);
  });

  it("is not invented for a window of the past, nor for a life that a reset ended", () => {
    const past = { ...hourUpTo(untilS), live: false };
    expect(nodesView(db, past).nodes.map(({ devAddr }) => devAddr)).toEqual(["01000002"]);
    new Recorder(db).record([push(SHED, 8_990, [{ payload: phy("01000001", 0, 9) }], 77)]);
    expect(nodesView(db, hourUpTo(untilS)).nodes.map(({ devAddr, life }) => `${devAddr}/${life}`)).toEqual([
      "01000001/2",
      "01000002/1",
    ]);
  });
});
