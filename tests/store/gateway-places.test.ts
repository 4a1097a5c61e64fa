import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { Newcomers } from "../../src/store/recorder/reports.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { identifierNotices } from "../../src/views/bookkeeping.ts";
import { encodePullData } from "../../src/wire/forwarder/encode.ts";
import { inventedEui } from "./crowded-store.ts";
import { arrivalOf, decoded, phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

let db: Store;
let recorder: Recorder;
beforeEach(() => {
  db = openStore(":memory:");
  recorder = new Recorder(db);
});
afterEach(() => {
  db.close();
});

const isKept = (eui: string) => db.prepare("SELECT 1 FROM gateway WHERE eui = ?").get(eui) !== undefined;
const count = () => db.prepare("SELECT count(*) FROM gateway").pluck().get() as number;

/** Invented identifiers, one keepalive each, in transactions as the intake makes them. */
function invent(from: number, to: number, fromS: number, aSecond = 2_000): void {
  for (let at = from; at < to; at += 128) {
    const batch: DecodedArrival[] = [];
    for (let n = at; n < Math.min(to, at + 128); n++)
      batch.push(pull(inventedEui(n), fromS + (n - from) / aSecond));
    recorder.record(batch);
  }
}

describe("places for gateways", () => {
  it("are found for a new gateway after 5,000 invented identifiers", () => {
    invent(0, 5_000, 0);
    for (let i = 0; i < 3; i++) recorder.record([pull(SHED, 5 + i * 10, i)]);
    expect(isKept(SHED)).toBe(true);
    expect(count()).toBeLessThanOrEqual(4_096);
    const [notice] = identifierNotices(db, { fromUs: START_US, toUs: START_US + 60_000_000 });
    expect(notice).toMatch(/^The limit of 4\u202F096 gateways was reached; /);
  }, 60_000);

  it("are found while the flood goes on, for one that comes again", () => {
    invent(0, 4_200, 0);
    for (let i = 0; i < 8; i++) {
      recorder.record([pull(SHED, 10 + i * 10, i)]);
      invent(10_000 + i * 1_000, 11_000 + i * 1_000, 10 + i * 10, 100);
    }
    expect(isKept(SHED)).toBe(true);
  }, 60_000);

  it("are never taken from one that is named, that reports, or that kept calling for minutes", () => {
    for (let i = 0; i < 20; i++) recorder.record([pull(SHED, i * 10, i)]);
    recorder.record([pull(TOWER, 0)]);
    writeLabel(db, { kind: "gateway", id: TOWER, name: "Water tower" });
    invent(0, 9_000, 300);
    expect([isKept(SHED), isKept(TOWER)]).toEqual([true, true]);
    expect(count()).toBeLessThanOrEqual(4_096);
  }, 60_000);

  it("are left with nothing of the one that gave way", () => {
    recorder.record([push(SHED, 0, [{ payload: phy("01A2B3C4", 1) }])]);
    const id = db.prepare("SELECT id FROM gateway WHERE eui = ?").pluck().get(SHED);
    invent(0, 7_000, 1, 500);
    expect(isKept(SHED)).toBe(false);
    for (const table of ["datagram", "reception", "gateway_minute", "channel_minute"])
      expect([
        table,
        db.prepare(`SELECT count(*) FROM ${table} WHERE gateway_id = ?`).pluck().get(id),
      ]).toEqual([table, 0]);
  }, 60_000);
});

describe("newcomers", () => {
  it("pass a few at a time, and always when they were heard half a minute ago", () => {
    const newcomers = new Newcomers();
    const passed = Array.from({ length: 1_000 }, (_, n) => newcomers.admit(inventedEui(n), 1_000_000 + n));
    expect(passed.filter(Boolean)).toHaveLength(64);
    expect(newcomers.admit(inventedEui(999), 31_000_000)).toBe(true);
    expect(newcomers.admit(inventedEui(0), 95_000_000)).toBe(true);
  });

  it("that come once do not pass by chance", () => {
    const newcomers = new Newcomers();
    for (let n = 0; n < 50_000; n++) newcomers.admit(inventedEui(n), 1_000_000);
    const strangers = Array.from({ length: 5_000 }, (_, n) =>
      newcomers.admit(inventedEui(90_000 + n), 31_000_000),
    );
    expect(strangers.filter(Boolean).length).toBeLessThan(64 + 25);
  });
});

describe("two sources that ask for downlinks of one gateway", () => {
  const from = (port: number, atS: number, token: number): DecodedArrival => {
    const bytes = encodePullData({ version: 2, token, gatewayEui: SHED });
    const arrival = arrivalOf(bytes, START_US + atS * 1e6);
    return decoded({ ...arrival, from: { address: "192.0.2.7", port } });
  };
  const notices = () => identifierNotices(db, { fromUs: START_US, toUs: START_US + 600_000_000 }, SHED);

  it("are told in one sentence with both", () => {
    recorder.record([from(40_000, 0, 1), from(50_000, 4, 2), from(40_000, 10, 3), from(50_000, 14, 4)]);
    expect(notices()).toEqual([
      `Two sources ask for downlinks of ${SHED} in turn: 192.0.2.7 port 50000 and 192.0.2.7 port 40000. Each downlink goes to the one that asked last; a second forwarder or a stranger may be using its identifier.`,
    ]);
  });

  it("are not told of a gateway that moved to another port and stayed there", () => {
    recorder.record([from(40_000, 0, 1), from(40_000, 10, 2), from(50_000, 20, 3), from(50_000, 30, 4)]);
    expect(notices()).toEqual([]);
  });
});
