import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { gatewaysOf } from "../../../src/store/gaps/detector-state.ts";
import { contextOf, gapId, gapRowOf } from "../../../src/store/gaps/gap-rows.ts";
import { LateData } from "../../../src/store/gaps/late-data.ts";
import { openStore } from "../../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US } from "../traffic.ts";

const MINUTE_US = 60_000_000;
const HOUR_US = 60 * MINUTE_US;
const NODE = "01A2B3C4";
const DEV_ADDR = 0x01a2b3c4;

describe("a gap's row", () => {
  it("has an id of address, life, beginning in milliseconds and what found it", () => {
    expect(gapId(DEV_ADDR, 3, 1_773_478_800_000_400, "run")).toBe("01A2B3C4-3-1773478800000-r");
    const marks = (["run", "episode", "end", "shared"] as const).map((tag) => gapId(1, 1, 5_000, tag));
    expect(marks).toEqual(["00000001-1-5-r", "00000001-1-5-e", "00000001-1-5-x", "00000001-1-5-s"]);
  });

  it("takes every figure of its draft", () => {
    const figures = {
      kind: "silence" as const,
      fromUs: 1_000_000,
      toUs: 9_000_000,
      missed: 4,
      firstMissed: 7,
      lastMissed: 10,
      heard: 2,
      rhythmUs: 60,
      lacking: 1.5,
    };
    const row = gapRowOf(
      DEV_ADDR,
      2,
      { ...figures, tag: "run", open: true, final: false, expectedByRhythm: 4.5 },
      "end",
    );
    const rest = { id: "01A2B3C4-2-1000-x", devAddr: DEV_ADDR, life: 2, expected: 4.5 };
    expect(row).toEqual({ ...figures, ...rest, open: 1 });
  });

  it("reads the gateways of a frame from their list", () => {
    expect([null, "", "4", "3,1"].map(gatewaysOf)).toEqual([[], [], [4], [3, 1]]);
  });

  it("rests on sixty intervals before, six hours to a day, and eight after, one to two hours", () => {
    const reach = (rhythmUs: number | null) => {
      const { fromUs, toUs } = contextOf({ fromUs: 100 * HOUR_US, toUs: 200 * HOUR_US, rhythmUs });
      return [(100 * HOUR_US - fromUs) / MINUTE_US, (toUs - 200 * HOUR_US) / MINUTE_US];
    };
    expect(reach(MINUTE_US)).toEqual([360, 60]);
    expect(reach(7 * MINUTE_US)).toEqual([420, 60]);
    expect(reach(10 * MINUTE_US)).toEqual([600, 80]);
    // Without a rhythm as with one of ten minutes.
    expect(reach(null)).toEqual([600, 80]);
    expect(reach(20 * MINUTE_US)).toEqual([1_200, 120]);
    expect(reach(60 * MINUTE_US)).toEqual([1_440, 120]);
  });
});

describe("what came late", () => {
  const address = (devAddr: number, us: number) => ({ devAddr, gatewayId: -1, fromUs: us, toUs: us });
  const gateway = (gatewayId: number, fromUs: number, toUs: number) => ({
    devAddr: -1,
    gatewayId,
    fromUs,
    toUs,
  });

  it("is taken once, gateways first: a gateway from its earliest to its latest, an address from its earliest", () => {
    const late = new LateData(openStore(":memory:"));
    expect(late.take(9)).toEqual([]);
    for (const atUs of [500, 300, 400]) {
      late.noteAddress(7, atUs);
      late.noteGateway(2, atUs);
    }
    late.noteGateway(0, 50);
    late.noteAddress(5, 600.7);
    const all = [gateway(0, 50, 50), gateway(2, 300, 500), address(5, 600), address(7, 300)];
    expect(late.take(3)).toEqual(all.slice(0, 3));
    expect(late.take(3)).toEqual(all.slice(3));
    expect(late.take(3)).toEqual([]);
    late.noteAddress(7, 800);
    expect(late.take(3)).toEqual([address(7, 800)]);
  });

  it("of before is widened by what comes later still", () => {
    const late = new LateData(openStore(":memory:"));
    late.noteGateway(2, 300);
    late.noteAddress(7, 300);
    late.flush();
    late.noteGateway(2, 200);
    late.noteAddress(7, 200);
    late.flush();
    late.noteGateway(2, 900);
    late.noteAddress(7, 900);
    // An address keeps the earliest: what lies after it is gone through in any case.
    expect(late.take(9).map(({ fromUs, toUs, gatewayId }) => [gatewayId, fromUs, toUs])).toEqual([
      [2, 200, 900],
      [-1, 200, 900],
    ]);
  });

  it("from the beginning of time is a number that the store takes", () => {
    const late = new LateData(openStore(":memory:"));
    late.noteAddress(7, Number.NEGATIVE_INFINITY);
    expect(late.take(9)).toEqual([address(7, Number.MIN_SAFE_INTEGER)]);
  });

  it("outlives a crash once it was flushed, and is undone with the batch before", () => {
    const store = openStore(":memory:");
    const late = new LateData(store);
    late.noteAddress(7, 300);
    late.noteGateway(2, 300);
    late.forget();
    expect(late.take(9)).toEqual([]);
    late.noteAddress(7, 300);
    late.flush();
    expect(new LateData(store).take(9)).toEqual([address(7, 300)]);
    // Rows that another wrote are found after a rollback: memory does not know better.
    new LateData(store).noteGateway(3, 1);
    const other = new LateData(store);
    other.noteGateway(3, 1);
    other.flush();
    late.forget();
    expect(late.take(9)).toEqual([gateway(3, 1, 1)]);
  });
});

/** Frames of one node at minutes; keepalives of the shed every 20 s from the first minute to the last. */
function store(
  frames: readonly (readonly [minute: number, counter: number, spreadingFactor?: number])[],
  toMinute: number,
) {
  const all: DecodedArrival[] = [];
  for (let s = 0; s <= toMinute * 60; s += 20) all.push(pull(SHED, s, (s / 20) % 65_536));
  frames.forEach(([minute, counter, spreadingFactor], i) => {
    all.push(
      push(
        SHED,
        minute * 60 + 7,
        [{ payload: phy(NODE, counter), ...(spreadingFactor && { spreadingFactor }) }],
        i,
      ),
    );
  });
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  recorder.record(all.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return db;
}

/** All columns but those of the finding; times in minutes after the node's minute 0. */
function rowsOf(db: ReturnType<typeof openStore>) {
  const zeroUs = START_US + 7_000_000;
  const minute = (column: string) => `(${column} - ${zeroUs}) / 6e7`;
  return db
    .prepare(
      `SELECT dev_addr AS addr, life, tag, kind, open, ${minute("from_us")} AS "from", ${minute("to_us")} AS "to", missed,
       first_missed AS "first", last_missed AS "last", heard, expected, rhythm_us / 6e7 AS rhythm, lacking, shown,
       ${minute("context_from_us")} AS contextFrom, ${minute("context_to_us")} AS contextTo, judged_to_us IS NOT NULL AS judged
       FROM gap ORDER BY from_us, tag`,
    )
    .all();
}

const every = (from: number, to: number, counterFrom: number) =>
  Array.from({ length: to - from + 1 }, (_, i) => [from + i, counterFrom + i] as const);

/** A node every minute: its evidence reaches six hours back and one hour on. */
const OF_MINUTES = { addr: DEV_ADDR, life: 1, heard: 0, rhythm: 1, lacking: 0, shown: 1, judged: 1 };

describe("the gaps of a node that sends every minute, field by field", () => {
  it("hold a silence that ended, its counter going on by one", () => {
    const db = store([...every(0, 39, 0), ...every(70, 120, 40)], 120);
    expect(rowsOf(db)).toEqual([
      {
        ...OF_MINUTES,
        tag: "run",
        kind: "silence",
        open: 0,
        from: 39,
        to: 70,
        missed: 0,
        first: null,
        last: null,
        expected: 31,
        contextFrom: 39 - 360,
        contextTo: 130,
      },
    ]);
  });

  it("hold a run of missed counters", () => {
    const db = store([...every(0, 39, 0), ...every(60, 120, 60)], 120);
    expect(rowsOf(db)).toEqual([
      {
        ...OF_MINUTES,
        tag: "episode",
        kind: "counters",
        open: 0,
        from: 39,
        to: 60,
        missed: 20,
        first: 40,
        last: 59,
        expected: 21,
        contextFrom: 39 - 360,
        contextTo: 120,
      },
    ]);
  });

  it("hold a silence that goes on, up to the newest datagram", () => {
    const [row] = rowsOf(store(every(0, 60, 0), 100)) as Record<string, number>[];
    expect(row).toMatchObject({
      tag: "run",
      kind: "silence",
      open: 1,
      from: 60,
      missed: 0,
      first: null,
      last: null,
      shown: 1,
    });
    // Keepalives end at 100 min 0 s, the frame came at 60 min 7 s.
    expect(row?.to).toBeCloseTo(100 - 7 / 60, 6);
  });

  it("hold a restart: from the last frame of the old life to the first of the new one, its first counters missed", () => {
    const db = store([...every(0, 99, 0), ...every(130, 200, 3)], 200);
    expect(rowsOf(db)).toEqual([
      {
        ...OF_MINUTES,
        tag: "end",
        kind: "silence",
        open: 0,
        from: 99,
        to: 130,
        missed: 3,
        first: 0,
        last: 2,
        expected: 31,
        contextFrom: 99 - 360,
        contextTo: 190,
      },
    ]);
  });

  it("hold a restart at once, which was no silence", () => {
    const db = store([...every(0, 99, 0), ...every(101, 200, 0)], 200);
    expect(rowsOf(db)).toEqual([
      {
        ...OF_MINUTES,
        tag: "end",
        kind: "counters",
        open: 0,
        from: 99,
        to: 101,
        missed: 0,
        first: null,
        last: null,
        expected: 2,
        contextFrom: 99 - 360,
        contextTo: 161,
      },
    ]);
  });

  it("hold lives of a few frames as one interruption, with what each missed at its begin", () => {
    const db = store([...every(0, 99, 0), ...every(110, 111, 5), ...every(121, 200, 0)], 200);
    expect(rowsOf(db)).toEqual([
      {
        ...OF_MINUTES,
        tag: "end",
        kind: "silence",
        open: 0,
        from: 99,
        to: 121,
        missed: 5,
        first: null,
        last: null,
        expected: 22,
        contextFrom: 99 - 360,
        contextTo: 181,
      },
    ]);
  });
});
