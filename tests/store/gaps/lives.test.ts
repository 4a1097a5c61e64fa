/** What becomes of a gap where an address has several lives, and which states of the search are kept. Counted by hand. */
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { GapAnalyst } from "../../../src/store/gaps/gap-analyst.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { readRecordedTime } from "../../../src/store/recorded-time.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { joinRequest, phy, pull, push, SHED, START_US } from "../traffic.ts";

const NODE = "01A2B3C4";
const DEV_ADDR = 0x01a2b3c4;

/** A frame at a minute; `body` tells devices apart. */
const frame = (minute: number, counter: number, body = 0x55, rssiDbm = -97) =>
  push(SHED, minute * 60 + 7, [{ payload: phy(NODE, counter, body), rssiDbm }], Math.round(minute * 10));
const frames = (from: number, to: number, counter: number, body = 0x55) =>
  Array.from({ length: to - from + 1 }, (_, i) => frame(from + i, counter + i, body));

function filled(...traffic: readonly DecodedArrival[]): { db: Store; recorder: Recorder } {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  const newestS = Math.max(...traffic.map(({ arrival }) => arrival.atUs - START_US)) / 1e6;
  const pulls = Array.from({ length: Math.floor(newestS / 60) + 1 }, (_, i) => pull(SHED, i * 60, i));
  recorder.record([...pulls, ...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  workOff(recorder);
  return { db, recorder };
}

function workOff(recorder: Recorder): void {
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
}

/** All that a row says but its finding and how far its evidence reaches; times in minutes, a frame's own second at 0. */
function rowsOf(db: Store, tag?: string) {
  const minute = (column: string) => `(${column} - ${START_US + 7e6}) / 6e7`;
  return db
    .prepare(
      `SELECT life, tag, kind, open, ${minute("from_us")} AS "from", ${minute("to_us")} AS "to", missed, first_missed AS "first",
       last_missed AS "last", heard, expected, rhythm_us / 6e7 AS rhythm FROM gap
       WHERE ? IS NULL OR tag = ? ORDER BY from_us, life, tag`,
    )
    .all(tag ?? null, tag ?? null) as Record<string, unknown>[];
}

describe("two lives that take turns", () => {
  /** One device each minute, another half a minute later from minute 30 on, `returns` times with the first coming back. */
  const turns = (returns: number) => {
    const { db } = filled(
      ...frames(0, 30 + returns, 0),
      ...Array.from({ length: returns }, (_, i) => frame(30.5 + i, 5_000 + i, 0x33, -70)),
    );
    return rowsOf(db, "shared");
  };

  it("are told of from the third return on, by the younger one's figures", () => {
    expect(turns(2)).toEqual([]);
    expect(turns(3)).toEqual([
      {
        life: 2,
        tag: "shared",
        kind: "steady",
        open: 0,
        from: 30.5,
        to: 33,
        missed: 0,
        first: null,
        last: null,
        heard: 3,
        expected: null,
        rhythm: null,
      },
    ]);
    // The younger's rhythm is known from some frames on.
    expect(turns(20)).toMatchObject([{ life: 2, from: 30.5, to: 50, heard: 20, rhythm: 1 }]);
  });

  it("are told of to the same moments when late frames have them gone through anew", () => {
    const all = [
      ...frames(0, 60, 0),
      ...Array.from({ length: 30 }, (_, i) => frame(30.5 + i, 5_000 + i, 0x33, -70)),
    ];
    const isLate = (_: DecodedArrival, i: number) => i === 45;
    const { db, recorder } = filled(...all.filter((one, i) => !isLate(one, i)));
    recorder.record(all.filter(isLate));
    workOff(recorder);
    expect(rowsOf(db)).toEqual(rowsOf(filled(...all).db));
    expect(rowsOf(db)).toMatchObject([{ tag: "shared", from: 30.5, to: 60, heard: 30 }]);
  });
});

describe("a life that ends with another", () => {
  const ends = (...traffic: readonly DecodedArrival[]) =>
    rowsOf(filled(...traffic).db, "end").map(({ life, kind, from, to, missed, first, last, expected }) => [
      life,
      kind,
      from,
      to,
      missed,
      first,
      last,
      expected,
    ]);

  it("is an interruption up to the first frame after a join, as after a restart", () => {
    const join = push(SHED, 125 * 60, [{ payload: joinRequest("02005E1000000031", 5) }], 9);
    expect(ends(...frames(0, 99, 0), join, ...frames(126, 180, 0, 0x77))).toEqual([
      [1, "silence", 99, 126, 0, null, null, 27],
    ]);
  });

  it("lost its first counters with it, up to sixteen of them", () => {
    const begins = (counter: number) => ends(...frames(0, 99, 500), ...frames(120, 180, counter, 0x77));
    expect(begins(0)).toEqual([[1, "silence", 99, 120, 0, null, null, 21]]);
    expect(begins(16)).toEqual([[1, "silence", 99, 120, 16, 0, 15, 21]]);
    expect(begins(17)).toEqual([[1, "silence", 99, 120, 0, null, null, 21]]);
  });

  it("is no silence up to four intervals", () => {
    expect(ends(...frames(0, 99, 0), ...frames(103, 160, 0))).toEqual([
      [1, "counters", 99, 103, 0, null, null, 4],
    ]);
    expect(ends(...frames(0, 99, 0), ...frames(104, 160, 0))).toEqual([
      [1, "silence", 99, 104, 0, null, null, 5],
    ]);
  });

  it("is one interruption where its silence was seen to go on before", () => {
    const { db, recorder } = filled(...frames(0, 99, 0), pull(SHED, 110 * 60));
    expect(rowsOf(db)).toMatchObject([{ tag: "run", kind: "silence", open: 1, from: 99 }]);
    const later = Array.from({ length: 200 }, (_, i) => pull(SHED, 110 * 60 + 20 * i, i));
    recorder.record([...later, ...frames(120, 176, 0)].sort((a, b) => a.arrival.atUs - b.arrival.atUs));
    workOff(recorder);
    expect(rowsOf(db)).toMatchObject([{ tag: "end", kind: "silence", open: 0, from: 99, to: 120 }]);
  });

  it("is the same interruption when a frame from before it comes late", () => {
    const all = [...frames(0, 99, 500), ...frames(120, 180, 3, 0x77)];
    const { db, recorder } = filled(...all.filter((_, i) => i !== 50));
    recorder.record(all.slice(50, 51));
    workOff(recorder);
    expect(rowsOf(db)).toEqual(rowsOf(filled(...all).db));
    expect(rowsOf(db)).toMatchObject([{ tag: "end", kind: "silence", from: 99, to: 120, missed: 3 }]);
  });

  it("has no expected number of frames where too few were heard to know its rhythm", () => {
    expect(ends(...frames(0, 1, 500), ...frames(120, 180, 0, 0x77))).toEqual([
      [1, "counters", 1, 120, 0, null, null, null],
    ]);
  });

  it("of three frames or fewer is part of one interruption, and of four an end of its own", () => {
    const between = (count: number) =>
      ends(...frames(0, 99, 0), ...frames(110, 109 + count, 5, 0x77), ...frames(125, 200, 0)).map((row) =>
        row.slice(0, 4),
      );
    expect(between(3)).toEqual([[1, "silence", 99, 125]]);
    expect(between(4)).toEqual([
      [1, "silence", 99, 110],
      [2, expect.any(String), 113, 125],
    ]);
  });
});

describe("a life that goes on beside the one that seemed to take its place", () => {
  it("has no end, and the interruption is undone", () => {
    // The other device's counter begins at 0 in minute 104; the first goes on from minute 110.
    const { db } = filled(
      ...frames(0, 99, 500),
      ...Array.from({ length: 60 }, (_, i) => frame(104.5 + i, i, 0x33, -70)),
      ...frames(110, 164, 610),
    );
    expect(rowsOf(db, "end")).toEqual([]);
    expect(rowsOf(db, "shared")).toMatchObject([{ life: 2, from: 104.5, to: 164, heard: 60 }]);
  });

  it("had an end for as long as it seemed over", () => {
    const all = [
      ...frames(0, 99, 500),
      ...Array.from({ length: 61 }, (_, i) => frame(104.5 + i, i, 0x33, -70)),
      ...frames(110, 164, 610),
    ].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const { db, recorder } = filled(...all.slice(0, 105));
    expect(rowsOf(db)).toMatchObject([{ life: 1, tag: "end", kind: "silence", from: 99, to: 104.5 }]);
    recorder.record(all.slice(105));
    workOff(recorder);
    expect(rowsOf(db)).toEqual(rowsOf(filled(...all).db));
  });

  it("has an earlier one's interruption undone too, which went on across it", () => {
    // Life 2 has two frames in minutes 110 and 111, life 3 begins in minute 125: one interruption, 99 to 125. Then life 2 goes on.
    const first = [
      ...frames(0, 99, 500),
      ...frames(110, 111, 5, 0x77),
      ...Array.from({ length: 10 }, (_, i) => frame(125.5 + i, i, 0x33, -70)),
    ];
    const more = [
      ...frames(136, 176, 31, 0x77),
      ...Array.from({ length: 40 }, (_, i) => frame(135.5 + i, 10 + i, 0x33, -70)),
    ].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const { db, recorder } = filled(...first);
    expect(rowsOf(db)).toMatchObject([{ life: 1, tag: "end", from: 99, to: 125.5 }]);
    recorder.record(more);
    workOff(recorder);
    expect(rowsOf(db)).toEqual(rowsOf(filled(...first, ...more).db));
  });

  it("has no end either where the other one is the last heard, and none when late frames come", () => {
    const all = [
      ...frames(0, 99, 500),
      ...Array.from({ length: 61 }, (_, i) => frame(104.5 + i, i, 0x33, -70)),
      ...frames(110, 164, 610),
    ];
    const { db } = filled(...all);
    const found = rowsOf(db);
    expect(rowsOf(db, "end")).toEqual([]);
    expect(rowsOf(db, "shared")).toMatchObject([{ life: 2, from: 104.5, to: 164, heard: 61 }]);
    const late = filled(...all.filter((_, i) => i !== 120));
    late.recorder.record(all.slice(120, 121));
    workOff(late.recorder);
    expect(rowsOf(late.db)).toEqual(found);
  });
});

describe("a counter that is heard after a higher one", () => {
  /** Every minute; of `late` each comes half a minute after the counter behind it; 100 to 109 are not heard. */
  const searched = (count: number, ...late: number[]) => {
    const isLost = (n: number) => n >= 100 && n <= 109;
    const db = openStore(":memory:");
    const recorder = new Recorder(db, null);
    recorder.record(
      Array.from({ length: count }, (_, n) => n)
        .filter((n) => !isLost(n))
        .map((n) => frame(late.includes(n) ? n + 1.5 : n, n))
        .sort((a, b) => a.arrival.atUs - b.arrival.atUs),
    );
    recorder.settle();
    const analyst = new GapAnalyst(db, null, () => readRecordedTime(db));
    while (analyst.step({ patient: false, nowUs: null }));
    analyst.storeStates();
    const state = db.prepare("SELECT state FROM gap_watch").pluck().get() as string;
    const { heard, lastCounter } = JSON.parse(state) as { heard: number; lastCounter: number };
    // No state is kept for the past before a thousand frames, however often a life is gone through anew.
    expect(db.prepare("SELECT count(*) FROM gap_watch_past").pluck().get()).toBe(0);
    return { rows: rowsOf(db).map(({ from, to, missed }) => [from, to, missed]), heard, lastCounter };
  };

  it("is missed no longer, and the gap before it stays", () => {
    const expected = { rows: [[99, 110, 10]], heard: 140, lastCounter: 149 };
    expect(searched(150)).toEqual(expected);
    expect(searched(150, 130)).toEqual(expected);
    expect(searched(150, 50, 130, 147)).toEqual(expected);
    // The one that ends the gap: it reaches to when that was heard.
    expect(searched(150, 110).rows).toEqual([[99, 111.5, 10]]);
  });

  it("is gone through from the last stored state, or from the beginning where that lies behind it", () => {
    // States are stored after 256 frames heard, with counter 265.
    const expected = { rows: [[99, 110, 10]], heard: 290, lastCounter: 299 };
    expect(searched(300, 290)).toEqual(expected);
    expect(searched(300, 265)).toEqual(expected);
    expect(searched(300, 264, 266)).toEqual(expected);
  });
});

describe("states of the search", () => {
  const searched = (count: number) => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, null);
    recorder.record(frames(0, count - 1, 0));
    const analyst = new GapAnalyst(db, null, () => readRecordedTime(db));
    while (analyst.step({ patient: false, nowUs: null }));
    return { db, recorder, analyst };
  };

  it("are stored after 256 frames, and kept for the past after a thousand", () => {
    const stored = (db: Store) =>
      (db.prepare("SELECT state FROM gap_watch").pluck().all() as string[]).map(
        (state) => (JSON.parse(state) as { heard: number }).heard,
      );
    expect(stored(searched(255).db)).toEqual([]);
    expect(stored(searched(256).db)).toEqual([256]);
    const { db } = searched(1_001);
    expect(stored(db)).toEqual([768]);
    const past = db.prepare("SELECT dev_addr, life, at_us, counter, state FROM gap_watch_past").all() as {
      state: string;
    }[];
    expect(past.map(({ state, ...row }) => ({ ...row, heard: JSON.parse(state).heard }))).toEqual([
      { dev_addr: DEV_ADDR, life: 1, at_us: START_US + (999 * 60 + 7) * 1e6, counter: 999, heard: 1_000 },
    ]);
  });

  it("are stored once: what did not change is not written again", () => {
    const { db, analyst } = searched(300);
    analyst.storeStates();
    db.exec("DELETE FROM gap_watch");
    analyst.storeStates();
    expect(db.prepare("SELECT count(*) FROM gap_watch").pluck().get()).toBe(0);
  });

  it("are taken up by another process where they were stored, and gone on from there", () => {
    const { db, recorder, analyst } = searched(300);
    analyst.storeStates();
    recorder.record(frames(310, 330, 310));
    const again = new GapAnalyst(db, null, () => readRecordedTime(db));
    while (again.step({ patient: false, nowUs: null }));
    expect(rowsOf(db)).toMatchObject([
      { tag: "episode", from: 299, to: 310, missed: 10, first: 300, last: 309 },
    ]);
    again.storeStates();
    const state = db.prepare("SELECT state FROM gap_watch").pluck().get() as string;
    expect(JSON.parse(state)).toMatchObject({ heard: 321, lastCounter: 330 });
  });

  it("are held at a moment, so many frames at a time, before what lies before it is removed", () => {
    const { db, analyst } = searched(100);
    const held = () =>
      (db.prepare("SELECT at_us, counter, state FROM gap_watch_past").all() as { state: string }[]).map(
        ({ state, ...row }) => ({ ...row, heard: JSON.parse(state).heard }),
      );
    const at = (minute: number) => START_US + (minute * 60 + 7) * 1e6;
    expect(analyst.hold(DEV_ADDR, at(50), 30)).toBe(false);
    expect(held()).toEqual([{ at_us: at(29), counter: 29, heard: 30 }]);
    // Twenty more until before minute 50.
    expect(analyst.hold(DEV_ADDR, at(50), 30)).toBe(true);
    expect(held()).toEqual([{ at_us: at(49), counter: 49, heard: 50 }]);
    expect(analyst.hold(DEV_ADDR, at(50), 30)).toBe(true);
    expect(held()).toEqual([{ at_us: at(49), counter: 49, heard: 50 }]);
  });
});
