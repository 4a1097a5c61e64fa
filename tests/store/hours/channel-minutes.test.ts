/** Where do the minutes of channels lie, and do they say the same before and after? */
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import {
  type ChannelMinute,
  decodeMinutes,
  encodeMinutes,
  MinutePacker,
} from "../../../src/store/hours/channel-minutes.ts";
import type { Store } from "../../../src/store/open.ts";
import { channelCells } from "../../../src/store/queries/channels.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { recorded, recordedDays, traffic, workOff } from "../some-days.ts";
import { START_US } from "../traffic.ts";

const HOUR = 492_000;

const minutes = fc
  .uniqueArray(
    fc.record({
      frequencyHz: fc.constantFrom(868_100_000, 868_300_000, 2_422_000_000),
      minute: fc.integer({ min: HOUR * 60, max: HOUR * 60 + 59 }),
      receptions: fc.integer({ min: 0, max: 70_000 }),
      crcBad: fc.integer({ min: 0, max: 300 }),
      busyUs: fc.integer({ min: 0, max: 60_000_000 }),
      overlapUs: fc.oneof(fc.constant(0), fc.integer({ min: 0, max: 3_000_000_000 })),
    }),
    { selector: ({ frequencyHz, minute }) => `${frequencyHz}/${minute}`, maxLength: 40 },
  )
  .map((all) =>
    all
      .sort((a, b) => a.frequencyHz - b.frequencyHz || a.minute - b.minute)
      .map(({ overlapUs, ...one }): ChannelMinute => ({ ...one, airtimeUs: one.busyUs + overlapUs })),
  );

const count = (db: Store, table: string) => db.prepare(`SELECT count(*) FROM ${table}`).pluck().get();

const FROM_MINUTE = START_US / 60e6;
const cellsOf = (db: Store) => channelCells(db, FROM_MINUTE, FROM_MINUTE + 2 * 1_440, 7);
const hoursOf = (db: Store) => db.prepare("SELECT * FROM channel_hour ORDER BY 1, 2, 3").all();

describe("minutes of channels", () => {
  it("are read from a packed row as they were", () => {
    fc.assert(
      fc.property(minutes, (all) => {
        const packed = encodeMinutes(all, HOUR);
        expect(packed === null ? null : [...decodeMinutes(packed, HOUR)]).toEqual(all);
      }),
      { numRuns: 60 },
    );
  });

  it("stay in rows where a sum is larger than a packed row can tell", () => {
    const row = { frequencyHz: 868_100_000, minute: HOUR * 60, receptions: 1, crcBad: 0 };
    expect(encodeMinutes([{ ...row, airtimeUs: 4_294_967_296, busyUs: 60_000_000 }], HOUR)).toBeNull();
    expect(encodeMinutes([{ ...row, airtimeUs: 4_294_967_295, busyUs: 60_000_000 }], HOUR)).not.toBeNull();
  });

  it("of gathered hours lie packed, those of the last hour in rows", () => {
    const { db } = recordedDays(2);
    // From 09:00 to 09:00; the newest frame is of some minutes before.
    expect(count(db, "channel_minute_packed")).toBe(2 * 47);
    const hours = db.prepare("SELECT DISTINCT minute / 60 FROM channel_minute").pluck().all();
    expect(hours).toEqual([START_US / 3_600e6 + 47]);
    expect(count(db, "hour_due")).toBe(0);
  });

  it("are what they would be had all come in order, when datagrams of packed hours come late", () => {
    const all = traffic(2);
    const isLate = (_: DecodedArrival, i: number) => i % 11 === 5;
    const inOrder = recorded(all);
    const late = recorded(all.filter((one, i) => !isLate(one, i)));
    late.recorder.record(all.filter(isLate));
    expect(cellsOf(late.db)).toEqual(cellsOf(inOrder.db));
    workOff(late.recorder);
    expect(cellsOf(late.db)).toEqual(cellsOf(inOrder.db));
    expect(hoursOf(late.db)).toEqual(hoursOf(inOrder.db));
    expect(count(late.db, "channel_minute")).toBe(count(inOrder.db, "channel_minute"));
  });

  it("that an earlier version left in rows are packed behind the traffic, and no hour is gathered for that", () => {
    const { db, recorder } = recordedDays(2);
    const before = cellsOf(db);
    const rows = count(db, "channel_minute");
    const packer = new MinutePacker(db);
    for (let hour = 0; hour < 47; hour++) packer.unpack(START_US / 3_600e6 + hour);
    db.exec("DELETE FROM hour_due");
    recorder.close();
    const again = new Recorder(db, judgeGap);
    let steps = 0;
    while (again.workOnGaps({ patient: false, nowUs: null })) steps += 1;
    expect(steps).toBeLessThan(60);
    expect([count(db, "channel_minute_packed"), count(db, "channel_minute")]).toEqual([2 * 47, rows]);
    expect(count(db, "hour_due")).toBe(0);
    expect(cellsOf(db)).toEqual(before);
  });
});
