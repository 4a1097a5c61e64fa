import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import Database from "better-sqlite3";
import { afterEach, describe, expect, it } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { recordedRanges } from "../../src/store/recorded-time.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { pull, SHED, START_US, TOWER } from "./traffic.ts";

const SECOND_US = 1_000_000;
const ALL = [0, Number.MAX_SAFE_INTEGER] as const;

/** The same datagram, received by the service. */
function live(item: DecodedArrival): DecodedArrival {
  return { ...item, arrival: { ...item.arrival, door: "udp" } };
}

/** Recorded ranges in whole seconds after START_US. */
function seconds(db: Store, gatewayIds?: number[]): number[][] {
  return recordedRanges(db, ...ALL, gatewayIds).map(({ fromUs, toUs }) =>
    [fromUs, toUs].map((atUs) => Math.floor((atUs - START_US) / SECOND_US)),
  );
}

function keepalives(eui: string, fromS: number, toS: number): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let atS = fromS; atS <= toS; atS += 10) all.push(pull(eui, atS, atS & 65_535));
  return all;
}

const idOf = (db: Store, eui: string): number =>
  db.prepare("SELECT id FROM gateway WHERE eui = ?").pluck().get(eui) as number;

describe("recorded time", () => {
  it("of a service lasts from its start to its newest heartbeat or datagram", () => {
    const db = openStore(":memory:");
    const first = new Recorder(db);
    first.listen(START_US, "start");
    first.record(keepalives(SHED, 5, 95).map(live));
    // A crash: nothing is closed.
    const second = new Recorder(db);
    second.listen(START_US + 112 * SECOND_US, "start");
    second.heartbeat(START_US + 130 * SECOND_US, true);
    expect(seconds(db)).toEqual([
      [0, 95],
      [112, 130],
    ]);
  });

  it("of a gateway begins with the service's range in which it first came", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    recorder.listen(START_US, "start");
    recorder.record(keepalives(SHED, 5, 55).map(live));
    recorder.heartbeat(START_US + 60 * SECOND_US, true);
    recorder.listen(START_US + 100 * SECOND_US, "start");
    recorder.record(keepalives(TOWER, 105, 155).map(live));
    recorder.heartbeat(START_US + 160 * SECOND_US, true);
    const both = [
      [0, 60],
      [100, 160],
    ];
    expect(seconds(db, [idOf(db, SHED)])).toEqual(both);
    expect(seconds(db, [idOf(db, TOWER)])).toEqual([[100, 160]]);
  });

  it("of a gateway in a capture ends with the capture, whatever the service hears later", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    recorder.record(keepalives(SHED, 0, 600), { captureId: 1 });
    recorder.listen(START_US + 9 * 86_400 * SECOND_US, "start");
    recorder.record(keepalives(TOWER, 9 * 86_400 + 10, 9 * 86_400 + 60).map(live));
    expect(seconds(db, [idOf(db, SHED)])).toEqual([[0, 600]]);
    expect(seconds(db).length).toBe(2);
  });

  it("rotated captures are one recording, captures a minute apart are two", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    recorder.record([...keepalives(SHED, 0, 600), ...keepalives(TOWER, 3, 603)], { captureId: 1 });
    recorder.record(keepalives(SHED, 610, 900), { captureId: 2 });
    recorder.record(keepalives(SHED, 960, 1200), { captureId: 3 });
    const expected = [
      [0, 900],
      [960, 1200],
    ];
    expect(seconds(db)).toEqual(expected);
    // The tower stopped in the second file, which goes on from the first.
    expect(seconds(db, [idOf(db, TOWER)])).toEqual(expected.slice(0, 1));
  });

  it("of a capture whose clock jumps from 1970 to 2026 is two ranges, in any order", () => {
    const late = keepalives(SHED, 0, 100);
    const early = late.map(({ arrival, ...rest }) => ({
      ...rest,
      arrival: { ...arrival, atUs: arrival.atUs - START_US },
    }));
    const dumps = [[...early, ...late], [...late, ...early].reverse()].map((items) => {
      const db = openStore(":memory:");
      const recorder = new Recorder(db);
      for (const item of items) recorder.record([item], { captureId: 1 });
      return recordedRanges(db, -1, Number.MAX_SAFE_INTEGER);
    });
    expect(dumps[0]).toEqual([
      { fromUs: 0, toUs: 100 * SECOND_US + 1 },
      { fromUs: START_US, toUs: START_US + 100 * SECOND_US + 1 },
    ]);
    expect(dumps[1]).toEqual(dumps[0]);
  });

  it("survives a batch that the store refused", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    recorder.listen(START_US, "start");
    recorder.record(keepalives(SHED, 0, 50).map(live));
    db.exec("CREATE TRIGGER refuse BEFORE INSERT ON datagram BEGIN SELECT raise(abort, 'full'); END");
    expect(() => recorder.record(keepalives(TOWER, 60, 70).map(live))).toThrow("full");
    db.exec("DROP TRIGGER refuse");
    recorder.record(keepalives(TOWER, 80, 90).map(live));
    expect(seconds(db)).toEqual([[0, 90]]);
    expect(seconds(db, [idOf(db, TOWER)])).toEqual([[0, 90]]);
  });
});

describe("a store from before recorded time was kept", () => {
  const dir = mkdtempSync(join(tmpdir(), "mastlog-old-"));
  afterEach(() => rmSync(dir, { recursive: true, force: true }));

  it("gets the ranges that its datagrams and captures show", () => {
    const path = join(dir, "old.db");
    const old = new Database(path);
    for (const file of readdirSync("migrations").sort()) {
      const number = Number(file.slice(0, 3));
      if (number >= 15) continue;
      old.exec(readFileSync(join("migrations", file), "utf8"));
      old.pragma(`user_version = ${number}`);
    }
    old.exec("INSERT INTO gateway (id, eui, first_at_us, last_at_us) VALUES (1, 'A', 0, 0), (2, 'B', 0, 0)");
    old.exec(
      `INSERT INTO capture (id, name, digest, size, state, started_at_us, from_us, to_us)
       VALUES (7, 'old.pcap', 'x', 1, 'done', 0, ${START_US}, ${START_US + 7_200 * SECOND_US})`,
    );
    const datagram = old.prepare(
      "INSERT INTO datagram (gateway_id, at_us, digest, kind) VALUES (?, ?, ?, 2)",
    );
    const minute = old.prepare(
      "INSERT INTO gateway_minute (gateway_id, minute, datagrams) VALUES (?, ?, 1) ON CONFLICT DO NOTHING",
    );
    const heard = (gatewayId: number, atS: number) => {
      const atUs = START_US + atS * SECOND_US;
      datagram.run(gatewayId, atUs, atS);
      minute.run(gatewayId, Math.floor(atUs / 60e6));
    };
    // A capture in which nothing comes for an hour, then live traffic of another gateway with a pause of 20 min.
    for (const atS of [0, 600, 3_600, 7_200]) heard(1, atS);
    for (const atS of [100_000, 100_030, 100_090, 101_290, 101_300]) heard(2, atS);
    old.close();
    const db = openStore(path);
    expect(seconds(db)).toEqual([
      [0, 7_200],
      [100_000, 100_090],
      [101_290, 101_300],
    ]);
    expect(seconds(db, [1])).toEqual([[0, 7_200]]);
    expect(seconds(db, [2]).length).toBe(2);
    db.close();
  });
});
