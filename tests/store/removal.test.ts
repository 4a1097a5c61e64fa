/** What does a store hold after receptions were removed by the rule of what is kept, and what does it take in again? */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it, onTestFinished } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { beginForgetting, type Forgettable } from "../../src/store/forget.ts";
import { unpackFrameDay } from "../../src/store/hours/frame-days.ts";
import type { HourRow } from "../../src/store/hours/packed.ts";
import { frameCountsByLife, framesByLife } from "../../src/store/hours/read-frames.ts";
import { packetHourRows } from "../../src/store/hours/read-packets.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { removedOf } from "../../src/store/retention.ts";
import { keptRule, writeKeptRule } from "../../src/store/settings.ts";
import {
  DAY_US,
  FIRST_MIDNIGHT_US,
  recorded,
  recordedDays,
  removeAll,
  traffic,
  workOff,
} from "./some-days.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const count = (db: Store, sql: string, ...values: unknown[]) =>
  db
    .prepare(`SELECT count(*) FROM ${sql}`)
    .pluck()
    .get(...values) as number;

const all = (db: Store, sql: string) => db.prepare(sql).all();

const GAPS = "SELECT id, from_us, to_us, missed, open, cause, shown, finding FROM gap ORDER BY id";
const LIVES =
  "SELECT id, dev_addr, number, first_at_us, last_at_us, first_counter, last_counter, heard FROM life";
/** What hours hold, whether a day of them is packed or not. */
const hoursBefore = (db: Store, beforeUs: number) => {
  const end = beforeUs / 3_600e6;
  const plain = (rows: unknown[]) =>
    (rows as HourRow[])
      .filter(({ hour }) => hour < end)
      .map(({ hour, columns }) => [hour, Buffer.from(columns).toString("hex")]);
  const blobs = (sql: string) => db.prepare(sql).pluck().all() as Uint8Array[];
  const ids = db.prepare("SELECT id FROM gateway").pluck().all() as number[];
  return {
    frames: plain([
      ...blobs("SELECT columns FROM frame_day ORDER BY day").flatMap(unpackFrameDay),
      ...all(db, "SELECT hour, columns FROM frame_hour ORDER BY hour"),
    ]),
    packets: ids.map((id) => plain(packetHourRows(db, id, 0, end))),
    gateways: all(db, `SELECT * FROM gateway_hour WHERE hour < ${end} ORDER BY 1, 2`),
    channels: all(db, `SELECT * FROM channel_hour WHERE hour < ${end} ORDER BY 1, 2`),
  };
};

const HOUR_TABLES = ["frame_hour", "packet_hour", "frame_day", "packet_day"];

const octetsOfHours = (db: Store) =>
  db
    .prepare(
      `SELECT sum(length(columns)) FROM (${HOUR_TABLES.map((one) => `SELECT columns FROM ${one}`).join(" UNION ALL ")})`,
    )
    .pluck()
    .get() as number;

describe("removal by age", () => {
  it("takes whole days, and leaves hours, lives, gaps and findings as they were", () => {
    const { db, recorder } = recordedDays(5);
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    expect(keptRule(db)).toEqual({ maxAgeDays: 2, maxBytes: null });
    // The newest is of the 19th, some seconds before 09:00; two days before it is the 17th, whose begin counts.
    const beforeUs = FIRST_MIDNIGHT_US + 3 * DAY_US;
    const before = { hours: hoursBefore(db, beforeUs), lives: all(db, LIVES), gaps: all(db, GAPS) };
    expect(before.gaps.length).toBeGreaterThan(1);
    const octets = octetsOfHours(db);
    const kept = all(db, `SELECT * FROM reception WHERE at_us >= ${beforeUs} ORDER BY id`);
    expect(removeAll(recorder, 200)).toBeGreaterThan(20);
    expect(removedOf(db)).toEqual({ beforeUs, rule: "2 days" });
    // Of the lives that were there by then, the newest frame stays with its receptions.
    expect(count(db, "frame WHERE at_us < ?", beforeUs)).toBe(4);
    expect(count(db, "reception WHERE at_us < ?", beforeUs)).toBeLessThanOrEqual(8);
    expect(all(db, `SELECT * FROM reception WHERE at_us >= ${beforeUs} ORDER BY id`)).toEqual(kept);
    expect(count(db, "gateway_minute WHERE minute < ?", beforeUs / 60e6)).toBe(0);
    expect(count(db, "channel_minute WHERE minute < ?", beforeUs / 60e6)).toBe(0);
    // An hour of keepalives and packets of each gateway.
    expect(count(db, "datagram WHERE at_us < ?", beforeUs)).toBeLessThan(80);
    expect(count(db, "datagram WHERE at_us < ?", beforeUs)).toBeGreaterThan(30);
    expect(count(db, "hour_due")).toBe(0);
    expect(hoursBefore(db, beforeUs)).toEqual(before.hours);
    expect(octetsOfHours(db)).toBeLessThan(0.6 * octets);
    expect(count(db, "frame_hour WHERE hour < ?", beforeUs / 3_600e6)).toBe(0);
    expect(count(db, "packet_hour WHERE hour < ?", beforeUs / 3_600e6)).toBe(0);
    // From the 14th, 09:00 on.
    expect([count(db, "frame_day"), count(db, "packet_day")]).toEqual([3, 6]);
    expect(all(db, LIVES)).toEqual(before.lives);
    expect(all(db, GAPS)).toEqual(before.gaps);
    expect(removeAll(recorder)).toBe(0);
  });

  it("packs the hours that an earlier version left, once the store is brought up to date", () => {
    const { db, recorder } = recordedDays(4);
    writeKeptRule(db, { maxAgeDays: 1, maxBytes: null });
    removeAll(recorder);
    const beforeUs = FIRST_MIDNIGHT_US + 3 * DAY_US;
    const before = hoursBefore(db, beforeUs);
    const set = db.prepare("INSERT INTO frame_hour (hour, columns) VALUES (?, ?)");
    for (const day of db.prepare("SELECT columns FROM frame_day").pluck().all() as Uint8Array[])
      for (const { hour, columns } of unpackFrameDay(day)) set.run(hour, columns);
    // As migrations/025-packed-days.sql leaves it.
    db.exec("DELETE FROM frame_day; UPDATE removal SET swept_to_us = 0");
    expect(removeAll(recorder)).toBeGreaterThan(3);
    expect([count(db, "frame_day"), count(db, "frame_hour WHERE hour < ?", beforeUs / 3_600e6)]).toEqual([
      3, 0,
    ]);
    expect(hoursBefore(db, beforeUs)).toEqual(before);
  });

  it("changes nothing of what is derived when late frames of the kept days come afterwards", () => {
    const days = traffic(5);
    const isLate = ({ arrival }: DecodedArrival, i: number) =>
      arrival.atUs > START_US + 3.2 * DAY_US && i % 9 === 0;
    const once = recorded(days);
    const twice = recorded(days.filter((arrival, i) => !isLate(arrival, i)));
    writeKeptRule(twice.db, { maxAgeDays: 2, maxBytes: null });
    removeAll(twice.recorder);
    twice.recorder.record(days.filter(isLate));
    workOff(twice.recorder);
    const lives =
      "SELECT dev_addr, number, first_at_us, last_at_us, first_counter, last_counter, heard FROM life ORDER BY 1, 2";
    expect(all(twice.db, lives)).toEqual(all(once.db, lives));
    const gaps = "SELECT id, from_us, to_us, missed, open, shown FROM gap ORDER BY id";
    expect(all(twice.db, gaps)).toEqual(all(once.db, gaps));
    expect(all(twice.db, "SELECT * FROM gateway_outage")).toEqual(
      all(once.db, "SELECT * FROM gateway_outage"),
    );
  });

  it("keeps what memory holds right: traffic continues as if nothing had gone", () => {
    const days = traffic(6);
    const isLater = ({ arrival }: DecodedArrival) => arrival.atUs >= START_US + 5 * DAY_US;
    const once = recorded(days);
    const { db, recorder } = recorded(days.filter((one) => !isLater(one)));
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    recorder.record(days.filter(isLater));
    workOff(recorder);
    expect(all(db, LIVES)).toEqual(all(once.db, LIVES));
    expect(all(db, "SELECT id, from_us, to_us, missed, open FROM gap ORDER BY id")).toEqual(
      all(once.db, "SELECT id, from_us, to_us, missed, open FROM gap ORDER BY id"),
    );
    // The same after a restart, from what is stored alone.
    recorder.close();
    const again = new Recorder(db, judgeGap);
    workOff(again);
    removeAll(again);
    expect(removedOf(db)?.beforeUs).toBe(FIRST_MIDNIGHT_US + 4 * DAY_US);
    expect(all(db, LIVES)).toEqual(all(once.db, LIVES));
  });

  it("counts again with keys from where the accounting was held, not from the first row that is left", () => {
    const { db, recorder } = recordedDays(5);
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    const before = all(db, LIVES);
    db.exec("INSERT INTO account_due (dev_addr) SELECT DISTINCT dev_addr FROM life");
    recorder.takeUp();
    workOff(recorder);
    expect(all(db, LIVES)).toEqual(before);
  });

  it("waits until hours and gaps have come so far", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, judgeGap);
    recorder.record(traffic(4));
    writeKeptRule(db, { maxAgeDays: 1, maxBytes: null });
    expect(removeAll(recorder)).toBe(0);
    workOff(recorder);
    expect(removeAll(recorder)).toBeGreaterThan(10);
  });

  it("leaves the newest day whatever a clock says that is years ahead", () => {
    const { db, recorder } = recorded([...traffic(3), pull(SHED, 4_000 * 86_400)]);
    writeKeptRule(db, { maxAgeDays: 30, maxBytes: null });
    const nowUs = START_US + 3 * DAY_US;
    while (recorder.removeMore({ nowUs, most: 500 }));
    expect(removedOf(db)).toBeNull();
  });
});

describe("removal by size", () => {
  it("takes the oldest day while the file holds more, and never the newest", () => {
    const { db, recorder } = recordedDays(5);
    writeKeptRule(db, { maxAgeDays: null, maxBytes: 1 });
    removeAll(recorder);
    // The 19th, 09:00 less a day is the 18th, 09:00: its begin.
    expect(removedOf(db)).toEqual({ beforeUs: FIRST_MIDNIGHT_US + 4 * DAY_US, rule: "1\u202FB" });
  });

  it("takes nothing while the file holds less", () => {
    const { db, recorder } = recorded(traffic(3));
    writeKeptRule(db, { maxAgeDays: null, maxBytes: 1e9 });
    expect(removeAll(recorder)).toBe(0);
    expect(removedOf(db)).toBeNull();
  });

  it("makes the file smaller", () => {
    const { db, recorder } = recorded(traffic(6));
    const pages = () => Number(db.pragma("page_count", { simple: true }));
    const before = pages();
    writeKeptRule(db, { maxAgeDays: 1, maxBytes: null });
    removeAll(recorder);
    expect(pages()).toBeLessThan(0.75 * before);
  });
});

describe("forgetting, after receptions were removed", () => {
  const setUp = () => {
    const { db, recorder } = recordedDays(4);
    writeKeptRule(db, { maxAgeDays: 1, maxBytes: null });
    removeAll(recorder);
    const heard = () => {
      const lives = frameCountsByLife(db, { fromUs: START_US, toUs: FIRST_MIDNIGHT_US + 2 * DAY_US });
      return [...lives.values()].sort((a, b) => b - a);
    };
    return { db, recorder, heard };
  };
  const forget = (recorder: Recorder, thing: Forgettable) => {
    recorder.write((store) => beginForgetting(store, thing));
    while (recorder.forgetMore(500));
  };

  it("takes a node out of removed hours, and no later life inherits its frames", () => {
    const { db, recorder, heard } = setUp();
    // 39 hours, a frame each twenty minutes; node 01000001 fell silent after 29.
    const [most, next, last] = heard();
    expect([most, last]).toEqual([117, 29]);
    forget(recorder, { kind: "node", id: "01000000" });
    expect(heard()).toEqual([next, last]);
    recorder.record([push(SHED, 4 * 86_400, [{ payload: phy("0A0A0A0A", 1) }], 9)]);
    expect(heard()).toEqual([next, last]);
    expect(count(db, "life")).toBe(4);
  });

  it("takes out what a gateway alone had heard, and names it nowhere any more", () => {
    const { db, recorder, heard } = setUp();
    const before = heard().reduce((sum, n) => sum + n, 0);
    const id = db.prepare("SELECT id FROM gateway WHERE eui = ?").pluck().get(TOWER) as number;
    const alone = [
      ...framesByLife(db, { fromUs: START_US, toUs: FIRST_MIDNIGHT_US + 2 * DAY_US }).values(),
    ].reduce(
      (sum, { receptions, length }) => sum + receptions.subarray(0, length).filter((n) => n === 1).length,
      0,
    );
    forget(recorder, { kind: "gateway", id: TOWER });
    const left = [...framesByLife(db, { fromUs: START_US, toUs: FIRST_MIDNIGHT_US + 2 * DAY_US }).values()];
    expect(left.some(({ gatewayIds }) => gatewayIds.has(id))).toBe(false);
    // Of the frames that one of the two heard, one in two was the tower's, give or take the order of losses.
    const gone = before - heard().reduce((sum, n) => sum + n, 0);
    expect(gone).toBeGreaterThan(0.4 * alone);
    expect(gone).toBeLessThan(0.6 * alone);
  });
});

describe("a store of which everything is kept", () => {
  it("is not held to see that nothing is to go, also while another program writes", () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-removal-"));
    const path = join(folder, "site.db");
    const recorder = new Recorder(openStore(path), judgeGap);
    const other = openStore(path);
    onTestFinished(() => {
      other.close();
      recorder.close();
      rmSync(folder, { recursive: true });
    });
    other.exec("BEGIN IMMEDIATE");
    expect(recorder.removeMore({ nowUs: null, most: 100 })).toBe(false);
    other.exec("ROLLBACK");
  });
});

describe("a store of which receptions were removed", () => {
  it("takes no datagram in again that is older, and counts it as refused", () => {
    const days = traffic(5);
    const { db, recorder } = recorded(days);
    writeKeptRule(db, { maxAgeDays: 2, maxBytes: null });
    removeAll(recorder);
    const ranges = all(db, "SELECT * FROM recorded_range");
    const early = days.filter(({ arrival }) => arrival.atUs < START_US + 3_600e6);
    const again = recorder.record(early);
    expect(again.datagrams).toBe(0);
    expect(again.refused).toBe(early.length);
    expect(all(db, "SELECT reason, refused, count FROM refusal WHERE refused = 1")).toEqual([
      { reason: "removed_time", refused: 1, count: early.length },
    ]);
    expect(all(db, "SELECT * FROM recorded_range")).toEqual(ranges);
  });

  it("is not rebuilt, and stays as it is", () => {
    const { db, recorder } = recordedDays(4);
    writeKeptRule(db, { maxAgeDays: 1, maxBytes: null });
    removeAll(recorder);
    const before = all(db, GAPS);
    expect(() => rebuild(db, () => undefined)).toThrow(
      "Receptions before 2026-03-17T00:00:00.000Z were removed by the rule of 1 day: a rebuild would take their hours, gaps and findings away.",
    );
    expect(all(db, GAPS)).toEqual(before);
  });
});
