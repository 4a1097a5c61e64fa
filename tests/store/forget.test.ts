import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { beginForgetting, type Forgettable, toBeForgotten } from "../../src/store/forget.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { phy, pull, push, SHED, TOWER } from "./traffic.ts";

const NODE = "01A2B3C4";
const OTHER = "01A2B3C5";

let db: Store;
beforeEach(() => {
  db = openStore(":memory:");
});
afterEach(() => {
  db.close();
});

/** Two gateways hear two nodes; some frames only one of them. */
function traffic(gateways: readonly string[], nodes: readonly string[]): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let counter = 0; counter < 40; counter++) {
    const s = counter * 10;
    for (const eui of gateways) {
      all.push(pull(eui, s + (eui === SHED ? 0 : 0.01), counter));
      for (const [i, node] of nodes.entries()) {
        // The tower misses every third frame, the shed every fourth.
        if (eui === TOWER && counter % 3 === 0) continue;
        if (eui === SHED && counter % 4 === 0) continue;
        const later = eui === SHED ? 0.02 : 0;
        all.push(push(eui, s + 1 + i + later, [{ payload: phy(node, counter) }], counter * 2 + i));
      }
    }
  }
  return all;
}

function forgetAll(recorder: Recorder, thing: Forgettable, mostRows: number): number {
  expect(recorder.write((store) => beginForgetting(store, thing)).ok).toBe(true);
  let steps = 1;
  while (recorder.forgetMore(mostRows)) steps += 1;
  recorder.reconsider();
  return steps;
}

/** All that is told of frames, lives, minutes and channels, without the numbers of rows. */
function derived(store: Store): unknown {
  const all = (sql: string) => store.prepare(sql).all();
  return {
    gateways: all("SELECT eui, first_at_us, versions, pull_source FROM gateway ORDER BY eui"),
    lives: all(
      "SELECT dev_addr, number, begun_by, first_at_us, last_at_us, first_counter, last_counter, heard FROM life",
    ),
    frames: all("SELECT dev_addr, at_us, counter, repeat, airtime_us FROM frame ORDER BY at_us, dev_addr"),
    receptions: all(`SELECT g.eui, r.at_us, r.tmst_key FROM reception r JOIN gateway g ON g.id = r.gateway_id
      ORDER BY r.at_us, g.eui`),
    gatewayMinutes: all(`SELECT g.eui, minute, keepalives, crc_ok FROM gateway_minute m
      JOIN gateway g ON g.id = m.gateway_id ORDER BY 1, 2`),
    channels: all(`SELECT g.eui, frequency_hz, minute, receptions, c.airtime_us, busy_us FROM channel_minute c
      JOIN gateway g ON g.id = c.gateway_id ORDER BY 1, 2, 3`),
  };
}

function recorded(arrivals: readonly DecodedArrival[]): Store {
  const store = openStore(":memory:");
  new Recorder(store).record(arrivals);
  return store;
}

describe("forgetting a gateway", () => {
  it("leaves what would be there had it never been heard, in steps of a few rows", () => {
    const recorder = new Recorder(db);
    recorder.record(traffic([SHED, TOWER], [NODE, OTHER]));
    expect(forgetAll(recorder, { kind: "gateway", id: TOWER }, 7)).toBeGreaterThan(8);
    expect(derived(db)).toEqual(derived(recorded(traffic([SHED], [NODE, OTHER]))));
  });

  it("says before what will go, and that it knows no such gateway", () => {
    new Recorder(db).record(traffic([SHED, TOWER], [NODE]));
    expect(toBeForgotten(db, { kind: "gateway", id: TOWER })).toEqual({
      datagrams: 40 + 26,
      receptions: 26,
      // Counters 4, 8, 16, 20, 28, 32: heard by the tower alone.
      frames: 6,
      placements: 0,
      marks: 0,
      keys: 0,
    });
    expect(toBeForgotten(db, { kind: "gateway", id: "02005E10000000FF" })).toBeNull();
    expect(beginForgetting(db, { kind: "gateway", id: "02005E10000000FF" })).toMatchObject({
      code: "no-such-gateway",
    });
  });

  it("takes what a person said of it, and leaves no row with its number", () => {
    const recorder = new Recorder(db);
    recorder.record(traffic([SHED, TOWER], [NODE]));
    writeLabel(db, { kind: "gateway", id: TOWER, name: "Water tower" });
    const id = db.prepare("SELECT id FROM gateway WHERE eui = ?").pluck().get(TOWER);
    forgetAll(recorder, { kind: "gateway", id: TOWER }, 100);
    const tables = db
      .prepare(
        `SELECT m.name FROM sqlite_schema m JOIN pragma_table_info(m.name) c ON c.name = 'gateway_id'
         WHERE m.type = 'table'`,
      )
      .pluck()
      .all() as string[];
    expect(tables.length).toBeGreaterThan(8);
    for (const table of tables)
      expect([
        table,
        db.prepare(`SELECT count(*) FROM ${table} WHERE gateway_id = ?`).pluck().get(id),
      ]).toEqual([table, 0]);
    expect(db.prepare("SELECT count(*) FROM label").pluck().get()).toBe(0);
  });

  it("is taken up again after a stop in between, and follows the gateway afresh when it is heard again", () => {
    const first = new Recorder(db);
    first.record(traffic([SHED, TOWER], [NODE]));
    first.write((store) => beginForgetting(store, { kind: "gateway", id: TOWER }));
    first.forgetMore(5);
    const second = new Recorder(db);
    expect(second.isForgetting()).toBe(true);
    while (second.forgetMore(50));
    second.reconsider();
    expect(second.isForgetting()).toBe(false);
    second.record([pull(TOWER, 1000)]);
    expect(db.prepare("SELECT first_at_us FROM gateway WHERE eui = ?").pluck().get(TOWER)).toBe(
      pull(TOWER, 1000).arrival.atUs,
    );
  });
});

describe("forgetting a node", () => {
  it("leaves what would be there had it never sent, but for the datagrams that came", () => {
    const recorder = new Recorder(db);
    recorder.record(traffic([SHED, TOWER], [NODE, OTHER]));
    forgetAll(recorder, { kind: "node", id: OTHER }, 9);
    expect(derived(db)).toEqual(derived(recorded(traffic([SHED, TOWER], [NODE]))));
    expect(toBeForgotten(db, { kind: "node", id: OTHER })).toBeNull();
  });

  it("counts it anew from one when it is heard again", () => {
    const recorder = new Recorder(db);
    recorder.record(traffic([SHED], [NODE]));
    forgetAll(recorder, { kind: "node", id: NODE }, 100);
    recorder.record([push(SHED, 900, [{ payload: phy(NODE, 77) }])]);
    expect(db.prepare("SELECT number, heard, first_counter FROM life").all()).toEqual([
      { number: 1, heard: 1, first_counter: 77 },
    ]);
  });
});
