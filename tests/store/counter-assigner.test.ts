/** How much of what is due is accounted again at once, and what is left. Frames counted by hand. */
import { describe, expect, it } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { CounterAssigner } from "../../src/store/recorder/counters.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { phy, push, SHED, START_US } from "./traffic.ts";

const LATE_S = 50;
const lateUs = START_US + LATE_S * 1e6;
const address = (node: number) => `0000000${node}`;

/** For each number a node that sent so many frames, one in 10 s from 100 s on, and then one that came late, sent at 50 s. */
function withLate(...counts: readonly number[]): Store {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, null);
  counts.forEach((count, i) => {
    const frame = (k: number) =>
      push(SHED, 100 + 10 * k + i, [{ payload: phy(address(i + 1), k + 1) }], k + 1);
    recorder.record(Array.from({ length: count }, (_, k) => frame(k)));
  });
  const late = counts.map((_, i) =>
    push(
      SHED,
      LATE_S,
      [{ payload: phy(address(i + 1), 0), frequencyHz: 868_100_000 + 200_000 * i }],
      900 + i,
    ),
  );
  recorder.record(late, { deferSettling: true });
  return db;
}

const due = (db: Store) =>
  db.prepare("SELECT dev_addr, from_us FROM account_due ORDER BY dev_addr").raw().all() as [number, number][];
const counters = (db: Store, node: number) =>
  db.prepare("SELECT counter FROM frame WHERE dev_addr = ? ORDER BY at_us").pluck().all(node) as (
    | number
    | null
  )[];

describe("addresses that are due", () => {
  it("are accounted again up to so many frames, the next where the last step ended", () => {
    const db = withLate(30, 30, 30);
    const assigner = new CounterAssigner(db);
    expect(due(db)).toEqual([
      [1, lateUs],
      [2, lateUs],
      [3, lateUs],
    ]);
    // 31 frames of the first, nine of the second: the late one, and those of 101 to 171 s.
    expect(assigner.recountSome(40)).toEqual({
      recounted: [
        { devAddr: 1, fromUs: lateUs },
        { devAddr: 2, fromUs: lateUs },
      ],
      settled: [1],
      isMore: true,
    });
    const secondUs = START_US + 171e6 + 1;
    expect(due(db)).toEqual([
      [2, secondUs],
      [3, lateUs],
    ]);
    // 22 of the second, 18 of the third: the late one, and those of 102 to 262 s.
    expect(assigner.recountSome(40)).toEqual({
      recounted: [
        { devAddr: 2, fromUs: secondUs },
        { devAddr: 3, fromUs: lateUs },
      ],
      settled: [2],
      isMore: true,
    });
    const thirdUs = START_US + 262e6 + 1;
    expect(due(db)).toEqual([[3, thirdUs]]);
    expect(assigner.recountSome(40)).toEqual({
      recounted: [{ devAddr: 3, fromUs: thirdUs }],
      settled: [3],
      isMore: false,
    });
    expect(due(db)).toEqual([]);
    expect(assigner.recountSome(40)).toEqual({ recounted: [], settled: [], isMore: false });
    for (const node of [1, 2, 3]) expect(counters(db, node)).toEqual(Array.from({ length: 31 }, (_, i) => i));
  });

  it("are not begun where the one before took all", () => {
    const db = withLate(30, 30);
    expect(new CounterAssigner(db).recountSome(31)).toEqual({
      recounted: [{ devAddr: 1, fromUs: lateUs }],
      settled: [1],
      isMore: true,
    });
    expect(due(db)).toEqual([[2, lateUs]]);
  });

  it("are accounted at once whole or not at all: 128 frames, and what follows while any of them is left", () => {
    const db = withLate(100, 100, 5);
    const assigner = new CounterAssigner(db);
    // 101 leave 27: the second is begun, and done; the third waits.
    expect(assigner.settleQuick()).toEqual([
      { devAddr: 1, fromUs: lateUs },
      { devAddr: 2, fromUs: lateUs },
    ]);
    expect(assigner.settleQuick()).toEqual([{ devAddr: 3, fromUs: lateUs }]);
    expect(assigner.settleQuick()).toEqual([]);
    for (const node of [1, 2]) expect(counters(db, node)).toEqual(Array.from({ length: 101 }, (_, i) => i));
  });

  it("of 129 frames wait for a step behind the traffic, those of 128 do not", () => {
    const db = withLate(128, 127);
    const assigner = new CounterAssigner(db);
    expect(assigner.settleQuick()).toEqual([{ devAddr: 2, fromUs: lateUs }]);
    expect(due(db)).toEqual([[1, lateUs]]);
    expect(assigner.settleQuick()).toEqual([]);
    expect(assigner.recountSome(128)).toMatchObject({ settled: [], isMore: true });
    expect(assigner.recountSome(128)).toMatchObject({ settled: [1], isMore: false });
  });

  it("are all accounted to the end, and due from the earliest moment that was named", () => {
    const db = withLate(30, 300);
    const assigner = new CounterAssigner(db);
    assigner.markDue(1, lateUs + 5);
    assigner.markDue(2, lateUs - 5);
    expect(due(db)).toEqual([
      [1, lateUs],
      [2, lateUs - 5],
    ]);
    expect(assigner.settle()).toEqual([
      { devAddr: 1, fromUs: lateUs },
      { devAddr: 2, fromUs: lateUs - 5 },
    ]);
    expect(due(db)).toEqual([]);
    expect(counters(db, 2)).toHaveLength(301);
    expect(assigner.settle()).toEqual([]);
  });

  it("are known again to another book of the same store", () => {
    const db = withLate(30);
    expect(new CounterAssigner(db).settle()).toHaveLength(1);
    expect(new CounterAssigner(db).settle()).toEqual([]);
  });
});

describe("a frame at the end of its address's past", () => {
  it("lies behind the last in time, or at its moment with a greater content", () => {
    const accounted = (...frames: readonly (readonly [atS: number, content: number])[]) => {
      const assigner = new CounterAssigner(openStore(":memory:"));
      return frames.map(
        ([atS, content], i) =>
          assigner.account(1, {
            atUs: START_US + atS * 1e6,
            fcnt: i,
            content,
            airtimeUs: 185_300,
            frequencyHz: 868_300_000,
            dataRate: 90_125_000,
            payload: null,
            radio: undefined,
          }) !== null,
      );
    };
    expect(accounted([10, 5], [10.000_001, 5])).toEqual([true, true]);
    expect(accounted([10, 5], [10, 6])).toEqual([true, true]);
    expect(accounted([10, 5], [10, 5])).toEqual([true, false]);
    expect(accounted([10, 5], [10, 4])).toEqual([true, false]);
    // Once an address is due, all its frames wait.
    expect(accounted([10, 5], [9, 9], [11, 1])).toEqual([true, false, false]);
  });
});
