import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { rebuild } from "../../../src/store/rebuild.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US } from "../traffic.ts";

const A = "01A2B3C4";
const B = "01A2B3C5";
const C = "01A2B3C6";
const MINUTES = 100;
/** Where it is out, its concentrator running on. */
const OUT = { fromS: 70 * 60, toS: 75 * 60 };

/**
 * A hundred minutes of one gateway and three nodes that send every minute: A is silent from minute 20 to 40 and comes
 * back with its next counter, B's counters 50 to 57 are not heard, from minute 70 to 75 the gateway is unreachable.
 */
function traffic(): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let s = 0; s < MINUTES * 60; s += 20) if (!isOut(s)) all.push(pull(SHED, s, s % 65_536));
  for (let minute = 0; minute < MINUTES; minute++) {
    const at = minute * 60;
    const silent = minute >= 20 && minute < 40;
    const ofA = minute < 20 ? minute : minute - 20;
    if (!silent) hear(all, at + 5, A, ofA, 868_100_000);
    if (minute < 50 || minute > 57) hear(all, at + 23, B, 300 + minute, 868_300_000);
    hear(all, at + 41, C, 65_500 + minute, 868_500_000);
  }
  return all;
}

function isOut(s: number): boolean {
  return s > OUT.fromS && s < OUT.toS;
}

function hear(all: DecodedArrival[], atS: number, node: string, counter: number, frequencyHz: number): void {
  if (isOut(atS)) return;
  all.push(push(SHED, atS, [{ payload: phy(node, counter), frequencyHz, snrDb: 4 }], atS % 65_536));
}

function gapsOf(store: Store): unknown[] {
  return store
    .prepare(
      `SELECT id, kind, open, from_us, to_us, missed, first_missed, last_missed, heard, round(expected, 3) AS expected,
       cause, round(confidence, 6) AS confidence, scope, finding FROM gap ORDER BY id`,
    )
    .all();
}

function finish(recorder: Recorder): void {
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
}

function inOrder(): unknown[] {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  recorder.record(traffic().sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  finish(recorder);
  return gapsOf(store);
}

describe("gaps worked out as receptions come in", () => {
  it("finds what was made to happen, and nothing else", () => {
    const rows = inOrder() as { id: string; cause: string; missed: number; kind: string }[];
    expect(rows.map(({ id, cause, missed }) => [id.slice(0, 8), cause, missed])).toEqual([
      [A, "node-silent", 0],
      [A, "gateway-unreachable", 5],
      [B, expect.stringMatching(/weak-link|unexplained/), 8],
      [B, "gateway-unreachable", 5],
      [C, "gateway-unreachable", 5],
    ]);
  });

  it("gives the same in pieces, shuffled, doubled, looked at in between, and made anew", () => {
    const expected = inOrder();
    const all = traffic();
    const arbitrary = fc.record({
      order: fc.array(fc.nat(), { minLength: all.length, maxLength: all.length }),
      // How far a datagram may be moved, as a share of the whole: from in order to anywhere.
      disorder: fc.constantFrom(0, 0.02, 0.3, 1),
      piece: fc.integer({ min: 40, max: 400 }),
      patient: fc.boolean(),
    });
    fc.assert(
      fc.property(arbitrary, ({ order, disorder, piece, patient }) => {
        const sorted = [...all].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
        const key = (i: number) => i + ((order[i] ?? 0) % 1000) * (disorder * all.length * 0.001);
        const shuffled = sorted
          .map((item, i) => ({ item, at: key(i) }))
          .sort((a, b) => a.at - b.at)
          .map(({ item }) => item);
        const store = openStore(":memory:");
        const recorder = new Recorder(store, judgeGap);
        for (let i = 0; i < shuffled.length; i += piece) {
          recorder.record(shuffled.slice(i, i + piece));
          recorder.record(shuffled.slice(Math.max(0, i - 5), i + 5));
          recorder.workOnGaps({ patient, nowUs: null });
        }
        finish(recorder);
        expect(gapsOf(store)).toEqual(expected);
        rebuild(store, () => undefined, judgeGap);
        expect(gapsOf(store)).toEqual(expected);
      }),
      { numRuns: 6 },
    );
  });

  it("sees what another process took in meanwhile, also behind what it had gone through", () => {
    const sorted = traffic().sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const minuteOf = ({ arrival }: DecodedArrival) => Math.floor((arrival.atUs - START_US) / 60e6);
    // All frames of C while B's are missed: with them B is alone, without them it is not.
    const isLate = (item: DecodedArrival) => {
      const second = ((item.arrival.atUs - START_US) / 1e6) % 60;
      return second === 41 && minuteOf(item) >= 45 && minuteOf(item) < 65;
    };
    const folder = mkdtempSync(join(tmpdir(), "mastlog-beside-"));
    const path = join(folder, "beside.db");
    const [db, besideDb] = [openStore(path), openStore(path)];
    const [recorder, beside] = [new Recorder(db, judgeGap), new Recorder(besideDb, judgeGap)];
    recorder.record(sorted.filter((item) => !isLate(item)));
    finish(recorder);
    expect(gapsOf(db)).not.toEqual(inOrder());
    // The other takes it in and marks what is to be judged again; the findings are left to this one.
    beside.record(sorted.filter(isLate));
    beside.settle();
    const left = () => db.prepare("SELECT count(*) FROM gap_disorder").pluck().get();
    while (left() !== 0) beside.workOnGaps({ patient: false, nowUs: null });
    expect(db.prepare("SELECT count(*) FROM gap WHERE judged_to_us IS NULL").pluck().get()).not.toBe(0);
    finish(recorder);
    expect(gapsOf(db)).toEqual(inOrder());
    db.close();
    besideDb.close();
    rmSync(folder, { recursive: true });
  });

  it("writes a silence that lasts no further each time another process stores something", () => {
    const sorted = traffic().sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const folder = mkdtempSync(join(tmpdir(), "mastlog-beside-"));
    const path = join(folder, "beside.db");
    const [db, besideDb] = [openStore(path), openStore(path)];
    const [recorder, beside] = [new Recorder(db, judgeGap), new Recorder(besideDb, judgeGap)];
    const first = sorted[0]?.arrival.atUs ?? 0;
    recorder.record(sorted.filter(({ arrival }) => arrival.atUs < first + 35 * 60e6));
    finish(recorder);
    const silence = () =>
      db.prepare("SELECT to_us FROM gap WHERE open = 1 AND kind = 'silence'").pluck().get();
    const before = silence();
    expect(before).toBeGreaterThan(first);
    const second = (s: number) => {
      beside.record([pull(SHED, 35 * 60 + s, s)]);
      while (recorder.workOnGaps({ patient: true, nowUs: START_US + (35 * 60 + s) * 1e6 }));
    };
    for (let s = 0; s < 9; s++) second(s);
    expect(silence()).toBe(before);
    // A twentieth of it, or ten seconds: 16 minutes by now.
    second(90);
    expect(silence()).toBe(START_US + (35 * 60 + 90) * 1e6);
    db.close();
    besideDb.close();
    rmSync(folder, { recursive: true });
  });

  it("goes on after a restart of the program where it stood", () => {
    const sorted = traffic().sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const store = openStore(":memory:");
    for (let i = 0; i < sorted.length; i += 120) {
      const recorder = new Recorder(store, judgeGap);
      recorder.record(sorted.slice(i, i + 120));
      while (recorder.workOnGaps({ patient: true, nowUs: null }));
      if (i % 240 === 0) recorder.close();
    }
    const last = new Recorder(store, judgeGap);
    finish(last);
    expect(gapsOf(store)).toEqual(inOrder());
  });

  it("opens a silence while it lasts and closes it when the node comes back", () => {
    const sorted = traffic().sort((a, b) => a.arrival.atUs - b.arrival.atUs);
    const until = (minute: number) =>
      sorted.filter(({ arrival }) => arrival.atUs < (sorted[0]?.arrival.atUs ?? 0) + minute * 60e6);
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    const openRows = () => store.prepare("SELECT open, cause FROM gap WHERE kind = 'silence'").all();
    recorder.record(until(22));
    finish(recorder);
    expect(openRows()).toEqual([]);
    recorder.record(until(35));
    finish(recorder);
    expect(openRows()).toEqual([{ open: 1, cause: "node-silent" }]);
    recorder.record(until(45));
    finish(recorder);
    expect(openRows()).toEqual([{ open: 0, cause: "node-silent" }]);
  });
});

describe("a frame from the future", () => {
  const FUTURE_S = 80 * 365 * 86_400;
  const minutes = (from: number, to: number) =>
    Array.from({ length: to - from }, (_, i) =>
      push(SHED, (from + i) * 60, [{ payload: phy(A, from + i) }], from + i),
    );
  const live = (atMinute: number) => ({ patient: true, nowUs: START_US + atMinute * 60_000_000 });

  it("makes no later frame of its address be gone through again", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, judgeGap);
    recorder.record([...minutes(0, 30), push(SHED, FUTURE_S, [{ payload: phy(A, 9_000) }], 1)]);
    // As at the end of a capture: all that is stored is gone through, the future frame too.
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    while (recorder.workOnGaps(live(29)));
    const pending = () => db.prepare("SELECT count(*) FROM gap_disorder WHERE dev_addr >= 0").pluck().get();
    for (const one of minutes(31, 60)) recorder.record([one]);
    expect(pending()).toBe(0);
    while (recorder.workOnGaps(live(60)));
    const frontier = db.prepare("SELECT frontier_us FROM gap_progress").pluck().get() as number;
    expect(frontier).toBeLessThanOrEqual(START_US + 60 * 60_000_000);
    db.close();
  });
});

describe("a node that starts again long after a capture ended", () => {
  const minutes = (fromS: number, door: "capture" | "udp") =>
    Array.from({ length: 30 }, (_, i) => {
      const one = push(SHED, fromS + i * 60, [{ payload: phy(A, i) }], i);
      return { ...one, arrival: { ...one.arrival, door } };
    });

  it("was not silent in between: nobody recorded", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db, judgeGap);
    const days230 = 230 * 86_400;
    recorder.record(minutes(0, "capture"));
    recorder.endCapture();
    recorder.record(minutes(days230, "capture"));
    recorder.endCapture();
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    expect(db.prepare("SELECT count(*) FROM life").pluck().get()).toBe(2);
    expect(gapsOf(db)).toEqual([]);
    db.close();
  });
});
