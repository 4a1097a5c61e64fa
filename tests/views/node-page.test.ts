import { describe, expect, it } from "vitest";
import { NodePage } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { nodesView } from "../../src/views/nodes.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, moment, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";

function ask(store: Store, window: AskedWindow, life = 1, devAddr = PROBE) {
  const page = nodePage(store, window, devAddr, life);
  if (page === null) throw new Error("no page");
  expect(NodePage.parse(page)).toEqual(page);
  return page;
}

/** Counters 0 to 19, one every 10 s. The shed hears all but 4, 5 and 12; the tower only even ones, and not those. */
function heardByTwo(): Store {
  const traffic = [...keepalives(SHED, 0, 200), ...keepalives(TOWER, 0, 200)];
  for (let n = 0; n < 20; n++) {
    if ([4, 5, 12].includes(n)) continue;
    traffic.push(push(SHED, n * 10 + 1, [{ payload: phy(PROBE, n), snrDb: -2, rssiDbm: -110 }]));
    if (n % 2 === 0) {
      traffic.push(
        push(TOWER, n * 10 + 1.05, [{ payload: phy(PROBE, n), snrDb: 4, rssiDbm: -101, tmstUs: n * 10e6 }]),
      );
    }
  }
  traffic.push(push(SHED, 75, [{ payload: phy(PROBE, 7), frequencyHz: 868_100_000 }]));
  return siteOf(traffic);
}

describe("the page of a node", () => {
  it("says the same as its row in the list", () => {
    const db = heardByTwo();
    for (const window of [windowOf(0, 200), windowOf(35, 125)]) {
      expect(ask(db, window).row).toEqual(nodesView(db, window).nodes[0]);
    }
  });

  it("has a tick for every counter from the first heard to the last: by all, by some, or by nobody", () => {
    const { ticks, ticksCut } = ask(heardByTwo(), windowOf(0, 200));
    expect(ticksCut).toBe(false);
    expect(ticks.map(({ counter }) => counter)).toEqual(Array.from({ length: 20 }, (_, n) => n));
    expect(ticks.map(({ fate }) => fate)).toEqual(
      ticks.map(({ counter }) => {
        if ([4, 5, 12].includes(counter)) return "missed";
        return counter % 2 === 0 ? "heard" : "heard-by-some";
      }),
    );
    expect(ticks[5]).toMatchObject({ frameId: null, repeats: 0 });
    // Missed counters 4 and 5 lie between the frames at 31 s and 61 s.
    expect([ticks[4]?.atMs, ticks[5]?.atMs]).toEqual([START_US / 1000 + 41_000, START_US / 1000 + 51_000]);
    expect(ticks[7]?.repeats).toBe(1);
    expect(ticks.filter(({ repeats }) => repeats > 0)).toHaveLength(1);
  });

  it("gives every gateway its delivery of the counters expected at the site", () => {
    const { gateways } = ask(heardByTwo(), windowOf(0, 200));
    expect(
      gateways.map(({ gatewayEui, heard, deliveryRatio }) => [gatewayEui, heard, deliveryRatio]),
    ).toEqual([
      [SHED, 17, 17 / 20],
      [TOWER, 8, 8 / 20],
    ]);
    expect(gateways[0]?.snrDb).toMatchObject({ median: -2 });
    // The repeat is a hearing too.
    expect(gateways[0]?.snrDb.count).toBe(18);
    expect(gateways[1]?.marginDb.median).toBe(16.5);
  });

  it("draws the signal of each gateway in columns of one length, in order of time", () => {
    const db = heardByTwo();
    writeLabel(db, { kind: "gateway", id: TOWER, name: "Water tower" });
    const { series } = ask(db, windowOf(0, 200));
    expect(series.map(({ gatewayName, atMs }) => [gatewayName, atMs.length])).toEqual([
      [null, 18],
      ["Water tower", 8],
    ]);
    for (const { atMs, rssiDbm, snrDb, spreadingFactor, marginDb } of series) {
      for (const column of [rssiDbm, snrDb, spreadingFactor, marginDb])
        expect(column).toHaveLength(atMs.length);
      expect([...atMs].sort((a, b) => a - b)).toEqual(atMs);
      expect(new Set(spreadingFactor)).toEqual(new Set([9]));
    }
  });

  it("lists its gaps, the longest first, with the frames heard around them", () => {
    const { gaps, sentence } = ask(heardByTwo(), windowOf(0, 200));
    expect(gaps).toEqual([
      {
        from: moment(31),
        to: moment(61),
        firstCounter: 4,
        missed: 2,
        missedDuringOutage: 0,
        missedNotRecorded: 0,
      },
      {
        from: moment(111),
        to: moment(131),
        firstCounter: 12,
        missed: 1,
        missedDuringOutage: 0,
        missedNotRecorded: 0,
      },
    ]);
    expect(sentence.map(({ text }) => text).join("")).toContain("; 3 missed in 2 gaps.");
  });

  it("lists of gaps as long the newest first, and no more than so many", () => {
    // One missed at 5, three at 10 to 12, one at 20.
    const lost = [5, 10, 11, 12, 20];
    const some = siteOf([
      ...keepalives(SHED, 0, 300),
      ...Array.from({ length: 30 }, (_, n) => n)
        .filter((n) => !lost.includes(n))
        .map((n) => push(SHED, n * 10 + 1, [{ payload: phy(PROBE, n) }])),
    ]);
    const first = ({ firstCounter }: { firstCounter: number }) => firstCounter;
    expect(ask(some, windowOf(0, 300)).gaps.map(first)).toEqual([10, 20, 5]);
    // Every second of 500 is missing: 249 gaps of one, of which the newest are listed.
    const many = siteOf([
      ...keepalives(SHED, 0, 5_000),
      ...Array.from({ length: 250 }, (_, n) => push(SHED, n * 20 + 1, [{ payload: phy(PROBE, 2 * n) }])),
    ]);
    const { gaps, row } = ask(many, windowOf(0, 5_000));
    expect(row.missed).toBe(249);
    expect([gaps.length, gaps[0]?.firstCounter]).toEqual([100, 497]);
  });

  it("marks as such what was missed while no gateway was reachable", () => {
    const away = siteOf([
      ...keepalives(SHED, 0, 101),
      ...keepalives(SHED, 200, 300),
      ...[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 20, 21, 22].map((n) =>
        push(SHED, n * 10 + 1, [{ payload: phy(PROBE, n) }]),
      ),
    ]);
    const { ticks, gaps } = ask(away, windowOf(0, 300));
    const fates = (from: number, to: number) => new Set(ticks.slice(from, to).map(({ fate }) => fate));
    expect(fates(10, 20)).toEqual(new Set(["missed-during-outage"]));
    expect(gaps).toMatchObject([{ missed: 10, missedDuringOutage: 10 }]);
  });

  it("keeps the newest 2,000 ticks, and says that there are more", () => {
    const db = siteOf([
      ...keepalives(SHED, 0, 8_000, 30),
      ...[0, 1, 2, 3].map((n) => push(SHED, n, [{ payload: phy(PROBE, n) }])),
      push(SHED, 5_000, [{ payload: phy(PROBE, 5_000) }]),
      push(SHED, 5_001, [{ payload: phy(PROBE, 5_001) }]),
    ]);
    const { ticks, ticksCut, row } = ask(db, windowOf(0, 8_000));
    expect(row).toMatchObject({ heard: 6, expected: 5_002 });
    expect(ticksCut).toBe(true);
    expect(ticks).toHaveLength(2_000);
    expect(ticks.map(({ counter }) => counter)).toEqual(Array.from({ length: 2_000 }, (_, i) => 3_002 + i));
    // Counter n was sent at n seconds: the dates of a cut gap stay right.
    expect((ticks[0]?.atMs ?? 0) - START_US / 1000).toBeCloseTo(3_002_000, -1);
  });

  it("tells every life of the address, each with a page of its own", () => {
    const db = siteOf([
      ...keepalives(SHED, 0, 1_000),
      ...[100, 101, 102, 103].map((n) => push(SHED, (n - 100) * 10, [{ payload: phy(PROBE, n) }])),
      ...[0, 1, 2].map((n) => push(SHED, 500 + n * 10, [{ payload: phy(PROBE, n, 0x77) }])),
    ]);
    const first = ask(db, windowOf(0, 1_000));
    const second = ask(db, windowOf(0, 1_000), 2);
    expect(first.lives).toEqual(second.lives);
    expect(first.lives).toMatchObject([
      {
        life: 1,
        firstCounter: 100,
        lastCounter: 103,
        heard: 4,
        firstHeard: moment(0),
        lastHeard: moment(30),
      },
      { life: 2, firstCounter: 0, lastCounter: 2, heard: 3, firstHeard: moment(500), lastHeard: moment(520) },
    ]);
    expect([first.row.heard, second.row.heard]).toEqual([4, 3]);
  });

  it("is empty for a window without its frames, and there is none for an unknown life", () => {
    const db = heardByTwo();
    const page = ask(db, windowOf(5_000, 6_000));
    expect(page).toMatchObject({ ticks: [], series: [], gateways: [], gaps: [] });
    expect(page.row).toMatchObject({
      heard: 0,
      expected: 0,
      frames: 0,
      deliveryRatio: null,
      standing: "waiting",
    });
    expect(page.sentence).toEqual([{ text: "Nothing of 01A2B3C4, life 1, was heard in this window." }]);
    expect(nodePage(db, windowOf(0, 200), PROBE, 2)).toBeNull();
    expect(nodePage(db, windowOf(0, 200), "01000001", 1)).toBeNull();
    expect(nodePage(db, windowOf(0, 200), "no address", 1)).toBeNull();
  });
});
