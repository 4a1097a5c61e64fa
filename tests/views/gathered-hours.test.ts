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
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { listNodes, nodesView } from "../../src/views/nodes.ts";
import { planView } from "../../src/views/plan.ts";
import { siteView } from "../../src/views/site.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../store/traffic.ts";

const HOURS = 6;
const NODES = 5;

const nodeOf = (node: number) => (0x0100_0000 + node).toString(16).toUpperCase().padStart(8, "0");

/** Six hours from just before a full hour: two gateways, five nodes, losses, repeats, a restart, damaged packets. */
function traffic(seed: number): DecodedArrival[] {
  let state = seed + 1;
  const chance = () => {
    state = (Math.imul(state, 1_103_515_245) + 12_345) & 0x7fff_ffff;
    return state / 0x8000_0000;
  };
  const all: DecodedArrival[] = [];
  let token = 0;
  const restartS = 9_000 + chance() * 6_000;
  for (const [gateway, eui] of [SHED, TOWER].entries())
    for (let s = 1; s < HOURS * 3_600; s += 30)
      if (gateway === 0 || s < 8_000 || s > 9_500) all.push(pull(eui, s, token++ % 65_536));
  for (let node = 0; node < NODES; node++) {
    let counter = 60_000;
    for (let s = 5 + node * 11; s < HOURS * 3_600; s += 95 + node * 20) {
      if (node === 2 && Math.floor(s / 5_000) === 2 && counter > 50_000) counter = 0;
      const sent = {
        payload: phy(nodeOf(node), counter++),
        frequencyHz: 868_100_000 + Math.floor(chance() * 3) * 200_000,
      };
      for (const again of chance() < 0.05 ? [0, 6] : [0])
        for (const [gateway, eui] of [SHED, TOWER].entries()) {
          if (chance() < 0.15 || (gateway === 1 && s > 8_000 && s < 9_500)) continue;
          const atS = s + again + gateway * 0.03;
          const tmstUs =
            Math.round((atS > restartS && gateway === 0 ? atS - restartS : atS + 4_000) * 1e6) %
            4_294_967_296;
          const crc = chance() < 0.03 ? ("bad" as const) : ("ok" as const);
          const snrDb = Math.round(chance() * 60) / 4 - 8;
          const heard = { ...sent, tmstUs, crc, snrDb, rssiDbm: -90 - Math.round(chance() * 30) };
          // In one hour a weak copy of each strong packet on the next channel, decoded at the same count.
          const isCopied = crc === "ok" && s > 13_000 && s < 14_000;
          const copy = { ...heard, frequencyHz: sent.frequencyHz + 200_000, rssiDbm: -125, snrDb: -9 };
          all.push(push(eui, atS, isCopied ? [heard, copy] : [heard], token++ % 65_536));
        }
    }
  }
  return all.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

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
