/** How far does each step of the search go, what does it write, and when is something looked at again? Counted by hand. */
import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import type { JudgeGap } from "../../../src/model/gap.ts";
import { GapAnalyst } from "../../../src/store/gaps/gap-analyst.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { readRecordedTime } from "../../../src/store/recorded-time.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US } from "../traffic.ts";

const NODE = "01A2B3C4";
const DEV_ADDR = 0x01a2b3c4;
const at = (second: number) => START_US + Math.round(second * 1e6);
const inSeconds = (us: unknown) => (typeof us === "number" ? (us - START_US) / 1e6 : us);

/** A store into which nothing but this was recorded; its gaps are searched by an analyst of the test. */
function filled(...traffic: readonly DecodedArrival[]) {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, null);
  recorder.record([...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  return { db, recorder };
}
/** The same, received by a service that listens from START_US on until so many seconds later. */
function listened(toS: number, ...traffic: readonly DecodedArrival[]) {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, null);
  recorder.listen(START_US, "start");
  for (const { arrival, ...rest } of traffic)
    recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
  recorder.heartbeat(at(toS), true);
  return db;
}
const searching = (db: Store, judge: JudgeGap | null = null) =>
  new GapAnalyst(db, judge, () => readRecordedTime(db));
/** Up to when the store says that all was gone through. */
const stored = (db: Store) => inSeconds(db.prepare("SELECT frontier_us FROM gap_progress").pluck().get());
const every = (stepS: number, toS: number, fromS = 0) =>
  Array.from({ length: Math.floor((toS - fromS) / stepS) + 1 }, (_, i) => fromS + i * stepS);
const keepalives = (toS: number) => every(20, toS).map((s) => pull(SHED, s, s));
const frame = (atS: number, counter: number) => push(SHED, atS, [{ payload: phy(NODE, counter) }], counter);
const live = (nowS: number) => ({ patient: true, nowUs: at(nowS) });
const ALL = { patient: false, nowUs: null };

describe("the search has gone through", () => {
  const reach = (options: { patient: boolean; nowUs: number | null }) => {
    const { db } = filled(...keepalives(100));
    searching(db).step(options);
    return stored(db);
  };

  it("all but the newest five seconds while more is on its way, and all at the end", () => {
    expect(reach(live(101))).toBe(95);
    expect(reach({ patient: false, nowUs: at(101) })).toBe(100);
    expect(reach(ALL)).toBe(100);
  });

  it("nothing later than the present", () => {
    expect(reach(live(50))).toBe(50);
    expect(reach({ patient: false, nowUs: at(50) })).toBe(50);
  });

  it("no less than before when the present is asked for again with an earlier one", () => {
    const { db } = filled(...keepalives(100));
    const analyst = searching(db);
    analyst.step(ALL);
    analyst.step(live(50));
    expect(stored(db)).toBe(100);
  });

  it("a gap of a life that is there no more, and leaves it away", () => {
    const lost = (n: number) => n >= 100 && n <= 109;
    const { db } = filled(
      ...keepalives(12_000),
      ...every(60, 12_000).flatMap((s) => (lost(s / 60) ? [] : [frame(s + 7, s / 60)])),
    );
    searching(db).step(ALL);
    const gaps = () => db.prepare("SELECT count(*) FROM gap").pluck().get();
    expect(gaps()).toBe(1);
    db.exec("UPDATE frame SET life_id = NULL; DELETE FROM life");
    searching(db, judgeGap).step(ALL);
    expect(gaps()).toBe(0);
  });

  it("nothing where nothing was stored", () => {
    const { db } = filled();
    expect(searching(db).step(ALL)).toBe(false);
    expect(stored(db)).toBeUndefined();
  });

  it("five hundred frames in a step, those of one moment together", () => {
    const { db } = filled(...every(1, 599).map((s) => frame(s, s)));
    const analyst = searching(db);
    // The five hundredth came at 499 s: others of that moment may follow it.
    expect([analyst.step(ALL), stored(db)]).toEqual([true, 498.999_999]);
    expect([analyst.step(ALL), stored(db)]).toEqual([false, 599]);
    const watch = db.prepare("SELECT state FROM gap_watch").pluck();
    analyst.storeStates();
    expect(JSON.parse(watch.get() as string)).toMatchObject({ heard: 600, lastCounter: 599 });
  });

  it("more than five hundred frames in a step where all of them are of one moment", () => {
    const crowd = Array.from({ length: 3 }, (_, k) =>
      push(
        SHED,
        10,
        Array.from({ length: 200 }, (_, i) => ({
          payload: phy((0x0100_0000 + 200 * k + i).toString(16).padStart(8, "0").toUpperCase(), 0),
        })),
        k,
      ),
    );
    const { db } = filled(...crowd);
    const analyst = searching(db);
    expect([analyst.step(ALL), stored(db)]).toEqual([true, 10]);
    analyst.storeStates();
    expect(db.prepare("SELECT count(*) FROM gap_watch").pluck().get()).toBe(600);
    expect(analyst.step(ALL)).toBe(false);
  });
});

describe("how far the search has come is stored", () => {
  it("more than a minute behind, where nothing else was written; at once at the end", () => {
    const { db, recorder } = filled(...keepalives(100));
    const analyst = searching(db);
    const newest = (newestS: number, options = live(newestS + 1)) => {
      recorder.record([pull(SHED, newestS, newestS % 1_000)]);
      analyst.step(options);
      return stored(db);
    };
    expect(newest(101)).toBe(96);
    expect(newest(161)).toBe(96);
    expect(newest(161.5)).toBe(156.5);
    expect(newest(170)).toBe(156.5);
    expect(newest(171, { patient: false, nowUs: at(172) })).toBe(171);
  });

  it("with what a search writes", () => {
    const { db, recorder } = filled(...every(60, 1_800).map((s) => frame(s, s / 60)));
    const analyst = searching(db);
    analyst.step(live(1_801));
    expect(stored(db)).toBe(1_795);
    // Ten counters missed: a gap is written.
    recorder.record([frame(2_460, 41), pull(SHED, 2_467)]);
    analyst.step(live(2_468));
    expect(db.prepare("SELECT missed FROM gap").pluck().all()).toEqual([10]);
    expect(stored(db)).toBe(2_462);
  });

  it("and is where memory goes on after a batch was undone", () => {
    const { db, recorder } = filled(...keepalives(100));
    const analyst = searching(db);
    analyst.step(live(101));
    recorder.record([pull(SHED, 120, 1)]);
    analyst.step(live(121));
    analyst.forget();
    // Behind 115 s as memory had it, ahead of 95 s as stored: nothing late.
    analyst.noteDatagram(1, at(100));
    analyst.flush();
    expect(db.prepare("SELECT count(*) FROM gap_disorder").pluck().get()).toBe(0);
    analyst.noteDatagram(1, at(95));
    analyst.flush();
    expect(db.prepare("SELECT from_us, to_us FROM gap_disorder").raw().all()).toEqual([[at(95), at(95)]]);
  });
});

describe("a clock that ran ahead", () => {
  const ahead = () => {
    const { db } = filled(...keepalives(100), frame(500, 7));
    const analyst = searching(db);
    while (analyst.step(ALL));
    expect(stored(db)).toBe(500);
    return { db, analyst };
  };

  it("by a minute at most is a clock that is being set: the search stays where it is", () => {
    const { db, analyst } = ahead();
    analyst.step(live(440));
    expect(stored(db)).toBe(500);
  });

  it("by more has the search return to the present, and go through later frames when their time comes", () => {
    const { db, analyst } = ahead();
    expect(analyst.step(live(439))).toBe(true);
    expect(stored(db)).toBe(439);
    // What was found of the node's frame at 500 s is undone.
    analyst.storeStates();
    expect(db.prepare("SELECT count(*) FROM gap_watch").pluck().get()).toBe(0);
    while (analyst.step(live(520)));
    analyst.storeStates();
    expect(stored(db)).toBe(495);
  });
});

describe("what comes late", () => {
  it("is noted up to where the search has come: a datagram, a frame, a recount, recorded time", () => {
    const { db } = filled(...keepalives(100), frame(50, 1));
    const analyst = searching(db);
    while (analyst.step(ALL));
    const noted = (note: () => void) => {
      note();
      analyst.flush();
      const rows = db.prepare("SELECT dev_addr, gateway_id, from_us, to_us FROM gap_disorder").raw().all();
      db.exec("DELETE FROM gap_disorder");
      return (rows as number[][]).map(([addr, id, from, to]) => [addr, id, inSeconds(from), inSeconds(to)]);
    };
    expect(noted(() => analyst.noteDatagram(1, at(100)))).toEqual([[-1, 1, 100, 100]]);
    expect(noted(() => analyst.noteDatagram(1, at(100) + 1))).toEqual([]);
    expect(noted(() => analyst.noteFrame(DEV_ADDR, at(100)))).toEqual([[DEV_ADDR, -1, 100, 100]]);
    expect(noted(() => analyst.noteFrame(DEV_ADDR, at(100) + 1))).toEqual([]);
    expect(noted(() => analyst.noteRedone(DEV_ADDR, at(100)))).toEqual([[DEV_ADDR, -1, 100, 100]]);
    expect(noted(() => analyst.noteRedone(DEV_ADDR, at(100) + 1))).toEqual([]);
    // The node was heard at 50 s, the gateway from 0 to 100 s; a gateway is looked at where the range ends.
    const recorded = (fromS: number, toS: number) =>
      noted(() => analyst.noteRecorded({ fromUs: at(fromS), toUs: at(toS) }));
    expect(recorded(40, 60)).toEqual([
      [-1, 1, 60, 60],
      [DEV_ADDR, -1, 40, 40],
    ]);
    expect(recorded(60, 300)).toEqual([[-1, 1, 100, 100]]);
    expect(recorded(100.5, 300)).toEqual([]);
  });

  it("ends an outage that was found before, and the gap's counters missed in it", () => {
    const isAway = (s: number) => s > 1_200 && s < 1_500;
    const here = (one: DecodedArrival) => !isAway((one.arrival.atUs - START_US) / 1e6);
    const pulls = keepalives(3_000);
    const frames = every(60, 3_000).map((s) => frame(s + 7, s / 60));
    const { db, recorder } = filled(...[...pulls, ...frames].filter(here));
    const analyst = searching(db, judgeGap);
    while (analyst.step(ALL));
    const outages = () => db.prepare("SELECT from_us, to_us FROM gateway_outage").raw().all();
    expect(outages()).toEqual([[at(1_200), at(1_500)]]);
    const gap = () => db.prepare("SELECT missed, finding FROM gap").raw().all();
    expect(gap()).toEqual([[5, expect.stringMatching(/sent nothing for 5.min.*ran on across it/u)]]);
    // Its keepalives come late by another way; the packets do not.
    const late = pulls.filter((one) => !here(one));
    recorder.record(late);
    for (const { arrival } of late) analyst.noteDatagram(1, arrival.atUs);
    while (analyst.step(ALL));
    expect(outages()).toEqual([]);
    expect(gap()).toEqual([[5, expect.not.stringMatching("sent nothing")]]);
  });
});

describe("a finding", () => {
  /** Every minute, but for the counters 40 to 59; judged as its gap closes at 60:00. */
  const judging = () => {
    let judged = 0;
    const judge: JudgeGap = (scene) => {
      judged += 1;
      return judgeGap(scene);
    };
    const minutes = every(1, 61).filter((minute) => minute < 40 || minute > 59);
    const { db, recorder } = filled(...minutes.map((minute) => frame(minute * 60, minute)));
    const analyst = searching(db, judge);
    const newest = (newestS: number, patient: boolean) => {
      recorder.record([pull(SHED, newestS, newestS % 1_000)]);
      judged = 0;
      while (analyst.step({ patient, nowUs: patient ? at(newestS + 1) : null }));
      return judged;
    };
    return { db, newest };
  };

  it("is made anew a minute later while its surroundings grow, where time is kept; at once at the end", () => {
    const { db, newest } = judging();
    expect(newest(3_670, true)).toBe(1);
    expect(inSeconds(db.prepare("SELECT judged_to_us FROM gap").pluck().get())).toBe(3_665);
    expect(newest(3_730, true)).toBe(0);
    expect(newest(3_731, true)).toBe(1);
    expect(newest(3_740, true)).toBe(0);
    expect(newest(3_741, false)).toBe(1);
  });

  it("is not made anew once the hour after its gap is over", () => {
    const { newest } = judging();
    newest(3_670, true);
    expect(newest(3_600 + 3_600 + 5, false)).toBe(1);
    expect(newest(3_600 + 3_600 + 600, false)).toBe(0);
  });
});

describe("a silence that goes on", () => {
  const reachOf = (db: Store) => inSeconds(db.prepare("SELECT to_us FROM gap WHERE open = 1").pluck().get());

  it("begins after five intervals, and grows by a twentieth, or ten seconds, at a time where time is kept", () => {
    const of = (everyS: number, atS: readonly number[]) => {
      const frames = every(everyS, 60 * everyS).map((s) => frame(s, s / everyS));
      const db = listened(90 * everyS, ...frames, pull(SHED, 60 * everyS + 5));
      const analyst = searching(db);
      return atS.map((silentS) => {
        analyst.step(live(60 * everyS + silentS));
        const toS = reachOf(db);
        return typeof toS === "number" ? toS - 60 * everyS : null;
      });
    };
    // Five intervals of a minute, 300 s: after 301 s a twentieth is 15 s.
    expect(of(60, [300, 301, 316, 317])).toEqual([null, 301, 301, 317]);
    // Of 10 s, 50 s: a twentieth would be 3 s.
    expect(of(10, [50, 51, 60, 61, 62])).toEqual([null, 51, 51, 61, 61]);
  });

  it("reaches to the present at every look at the end", () => {
    const db = listened(5_000, ...every(60, 3_600).map((s) => frame(s, s / 60)));
    const analyst = searching(db);
    for (const now of [4_000, 4_001]) {
      analyst.step({ patient: false, nowUs: at(now) });
      expect(reachOf(db)).toBe(now);
    }
  });

  it("is seen of a node that memory does not hold: after a batch was undone, and after a start", () => {
    const traffic = every(60, 3_600).map((s) => frame(s, s / 60));
    const db = listened(5_000, ...traffic);
    const analyst = searching(db);
    analyst.step({ patient: false, nowUs: at(3_600) });
    analyst.storeStates();
    analyst.forget();
    analyst.step({ patient: false, nowUs: at(4_000) });
    expect(reachOf(db)).toBe(4_000);
    db.exec("DELETE FROM gap");
    searching(db).step({ patient: false, nowUs: at(4_100) });
    expect(reachOf(db)).toBe(4_100);
  });

  it("is an outage's as soon as its gateway sends nothing for longer than three intervals", () => {
    const db = listened(900, ...keepalives(600));
    const analyst = searching(db);
    const outages = () =>
      (db.prepare("SELECT from_us, to_us FROM gateway_outage").raw().all() as number[][]).map((row) =>
        row.map(inSeconds),
      );
    analyst.step(live(660));
    expect(outages()).toEqual([]);
    // Looked at again once its silence has grown by a tenth of the 60 s.
    analyst.step(live(665));
    expect(outages()).toEqual([]);
    analyst.step(live(666));
    expect(outages()).toEqual([[600, null]]);
  });
});
