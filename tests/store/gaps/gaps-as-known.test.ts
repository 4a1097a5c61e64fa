import { describe, expect, it } from "vitest";
import { judgeGap } from "../../../src/diagnosis/findings/judge.ts";
import { gapsAsKnown } from "../../../src/store/gaps/gaps-as-known.ts";
import { OutageWriter } from "../../../src/store/gaps/outages.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import { readRecordedTime } from "../../../src/store/recorded-time.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { keepalives, listenedSite } from "../../views/a-site.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "../traffic.ts";

const NODE = "01A2B3C4";
const OTHER = "01A2B3C5";
const FRAMES = 2_600;
/** Frames that nobody heard of NODE: a gap after the first kept state, one after the second. */
const MISSED = [
  [400, 409],
  [1_500, 1_512],
  [2_450, 2_470],
] as const;

/** Two nodes every ten seconds for some seven hours. */
function longLife(): Store {
  const traffic: DecodedArrival[] = [];
  for (let i = 0; i < FRAMES; i++) {
    const atS = 10 * i;
    if (i % 2 === 0) traffic.push(pull(SHED, atS, i % 65_536));
    if (!MISSED.some(([from, to]) => i >= from && i <= to))
      traffic.push(push(SHED, atS + 2, [{ payload: phy(NODE, i), snrDb: 4 }], i % 65_536));
    traffic.push(push(SHED, atS + 5, [{ payload: phy(OTHER, 7_000 + i), snrDb: 4 }], (i + 9) % 65_536));
  }
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  for (let i = 0; i < traffic.length; i += 500)
    recorder.record(traffic.slice(i, i + 500), { deferSettling: true });
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return store;
}

function knownAt(store: Store, frame: number) {
  const range = { fromUs: START_US, toUs: START_US + 10 * FRAMES * 1e6 };
  return gapsAsKnown(store, range, START_US + (10 * frame + 5) * 1e6, judgeGap).gaps;
}

describe("the gaps that were known at a moment", () => {
  const store = longLife();

  it("are those that had ended, and the silence that went on", () => {
    expect(knownAt(store, 395)).toEqual([]);
    expect(knownAt(store, 408)).toMatchObject([{ kind: "silence", open: 1, missed: 0 }]);
    expect(knownAt(store, 420)).toMatchObject([{ kind: "counters", open: 0, missed: 10 }]);
    expect(knownAt(store, 2_500).map(({ missed }) => missed)).toEqual([21, 13, 10]);
  });

  it("are judged again where later traffic was needed for what is stored, and are none where chance made them", () => {
    const judgedAt = (frame: number, isChance: boolean) => {
      let judged = 0;
      const range = { fromUs: START_US, toUs: START_US + 10 * FRAMES * 1e6 };
      const { gaps } = gapsAsKnown(store, range, START_US + (10 * frame + 5) * 1e6, (scene) => {
        judged += 1;
        return { ...judgeGap(scene), isChance };
      });
      return [gaps.map(({ missed }) => missed), judged];
    };
    // The first two ended long before; the third is a silence still, then a gap that just ended.
    expect(judgedAt(2_460, false)).toEqual([[0, 13, 10], 1]);
    expect(judgedAt(2_460, true)).toEqual([[13, 10], 1]);
    expect(judgedAt(2_500, true)).toEqual([[13, 10], 1]);
    expect(judgedAt(2_500, false)).toEqual([[21, 13, 10], 1]);
  });

  it("are the same from a state kept on the way as from the beginning of the life", () => {
    const moments = [395, 405, 420, 1_200, 1_506, 1_530, 2_300, 2_460, 2_500];
    const kept = store.prepare("SELECT count(*) FROM gap_watch_past").pluck().get() as number;
    expect(kept).toBeGreaterThanOrEqual(4);
    const withStates = moments.map((frame) => knownAt(store, frame));
    store.exec("DELETE FROM gap_watch_past");
    expect(moments.map((frame) => knownAt(store, frame))).toEqual(withStates);
  });
});

describe("the outages that were known at a moment", () => {
  it("come in order of time where they touch the range, as far as was known", () => {
    const at = (second: number) => START_US + second * 1e6;
    // The shed, known first, is away from 500 to 700 s, the tower from 100 to 300 s.
    const store = listenedSite(
      [
        ...keepalives(SHED, 0, 501, 20),
        ...keepalives(SHED, 700, 1_000, 20),
        ...keepalives(TOWER, 0, 101, 20),
        ...keepalives(TOWER, 300, 1_000, 20),
      ],
      1_000,
    );
    const writer = new OutageWriter(store, () => readRecordedTime(store));
    for (const id of [1, 2]) writer.scan(id, { fromUs: at(0), toUs: at(1_000) }, at(1_000));
    const known = (from: number, to: number, nowS = 990) =>
      gapsAsKnown(store, { fromUs: at(from), toUs: at(to) }, at(nowS), judgeGap).outages.map(
        ({ gatewayId, fromUs, toUs }) => [
          gatewayId,
          (fromUs - START_US) / 1e6,
          toUs === null ? null : (toUs - START_US) / 1e6,
        ],
      );
    expect(known(0, 1_000)).toEqual([
      [2, 100, 300],
      [1, 500, 700],
    ]);
    expect(known(299, 500)).toEqual([[2, 100, 300]]);
    expect(known(300, 501)).toEqual([[1, 500, 700]]);
    expect(known(0, 1_000, 600)).toEqual([
      [2, 100, 300],
      [1, 500, null],
    ]);
  });
});

describe("a node that restarted after a silence", () => {
  /** Every minute from 0 to 39, and anew from 70 on. */
  const restarted = () => {
    const traffic: DecodedArrival[] = [];
    for (let s = 0; s < 120 * 60; s += 20) traffic.push(pull(SHED, s, s));
    for (let minute = 0; minute < 120; minute++)
      if (minute < 40 || minute >= 70)
        traffic.push(
          push(
            SHED,
            minute * 60 + 7,
            [{ payload: phy(NODE, minute < 40 ? 500 + minute : minute - 70) }],
            minute,
          ),
        );
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    recorder.record(traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
    recorder.settle();
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    return store;
  };
  const at = (minute: number) => START_US + (minute * 60 + 7) * 1e6;
  const known = (minute: number) =>
    gapsAsKnown(restarted(), { fromUs: START_US, toUs: at(119) }, at(minute), judgeGap).gaps.map(
      ({ life, kind, open, fromUs, toUs, cause }) => ({ life, kind, open, fromUs, toUs, cause }),
    );

  it("was silent, as far as was known before it came back, and had restarted after", () => {
    expect(known(39)).toEqual([]);
    // Up to the newest datagram of then, the keepalive at 60:00.
    const newestUs = START_US + 3_600e6 + 1;
    expect(known(60)).toEqual([
      { life: 1, kind: "silence", open: 1, fromUs: at(39), toUs: newestUs, cause: "node-silent" },
    ]);
    expect(known(90)).toEqual([
      { life: 1, kind: "silence", open: 0, fromUs: at(39), toUs: at(70), cause: "node-restarted" },
    ]);
  });

  it("come newest first, those of one moment by address", () => {
    // Both in one datagram each minute until 39; the one with the higher address is stored first.
    const traffic: DecodedArrival[] = [];
    for (let s = 0; s < 60 * 60; s += 20) traffic.push(pull(SHED, s, s));
    for (let minute = 0; minute < 60; minute++)
      if (minute < 40)
        traffic.push(
          push(
            SHED,
            minute * 60 + 7,
            [OTHER, NODE].map((node, i) => ({ payload: phy(node, minute), tmstUs: minute * 60e6 + i + 1 })),
            minute,
          ),
        );
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    recorder.record(traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
    recorder.settle();
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    const range = { fromUs: START_US, toUs: at(60) };
    const { gaps } = gapsAsKnown(store, range, at(55), judgeGap);
    expect(gaps.map(({ devAddr, fromUs }) => [devAddr, fromUs])).toEqual(
      [NODE, OTHER].map((node) => [Number.parseInt(node, 16), at(39)]),
    );
  });
});

describe("a gap that the counters of a past moment show", () => {
  /** Every minute for three hours; 60 to 69 are not heard. Its evidence is whole at 70 + 60 = minute 130. */
  const site = () => {
    const traffic: DecodedArrival[] = [];
    for (let s = 0; s < 180 * 60; s += 20) traffic.push(pull(SHED, s, s));
    for (let minute = 0; minute < 180; minute++)
      if (minute < 60 || minute > 69)
        traffic.push(push(SHED, minute * 60 + 7, [{ payload: phy(NODE, minute) }], minute));
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    recorder.record(traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
    recorder.settle();
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    return store;
  };
  const at = (minute: number) => START_US + (minute * 60 + 7) * 1e6;
  const all = { fromUs: START_US, toUs: at(180) };
  /** What is told at a minute after `change` to the rows of today, and whether it was judged for that. */
  const told = (change: string, minute = 170, range = all) => {
    const store = site();
    store.exec(change);
    let judged = 0;
    const { gaps } = gapsAsKnown(store, range, at(minute), (scene) => {
      judged += 1;
      return { ...judgeGap(scene), sentence: "judged then" };
    });
    return [gaps.map(({ kind, open, toUs, missed, heard }) => [kind, open, toUs, missed, heard]), judged];
  };
  const GAP = ["counters", 0, at(70), 10, 0];

  it("keeps the finding of today where its row is the same and the evidence was whole by then", () => {
    expect(told("")).toEqual([[GAP], 0]);
    expect(told("", 131)).toEqual([[GAP], 0]);
    expect(told("", 129)).toEqual([[GAP], 1]);
  });

  it("is judged by what was known where any figure of the row is another one today, or has no finding", () => {
    const row = (column: string) => `UPDATE gap SET ${column}`;
    for (const change of [
      "kind = 'silence'",
      "to_us = to_us - 1",
      "missed = 9",
      "heard = 1",
      "finding = NULL",
    ])
      expect([change, ...told(row(change))]).toEqual([change, [GAP], 1]);
    expect(told(row("open = 1"))).toEqual([[GAP], 1]);
  });

  it("is none where its finding says that chance explains it, without judging it again", () => {
    expect(told("UPDATE gap SET shown = 0")).toEqual([[], 0]);
  });

  it("keeps the finding of today where some of its evidence was removed since", () => {
    // The evidence begins six hours before frame 59.
    const removed = (us: number) =>
      `UPDATE removal SET removed_to_us = ${us}, rule = '1 day'; UPDATE gap SET missed = 9;`;
    const begunUs = at(59) - 6 * 3_600e6;
    expect(told(removed(begunUs))).toEqual([[GAP], 1]);
    const kept = ["counters", 0, at(70), 9, 0];
    expect(told(removed(begunUs + 1))).toEqual([[kept], 0]);
    expect(told(`${removed(begunUs + 1)} UPDATE gap SET shown = 0`)).toEqual([[], 0]);
  });

  it("belongs to a range with which it has a moment in common", () => {
    const within = (fromUs: number, toUs: number) => told("", 170, { fromUs, toUs })[0];
    expect(within(at(0), at(59))).toEqual([]);
    expect(within(at(0), at(59) + 1)).toEqual([GAP]);
    expect(within(at(70), at(170))).toEqual([]);
    expect(within(at(70) - 1, at(170))).toEqual([GAP]);
  });

  it("stands alone: rows that only later knowledge made a run or an episode are left out", () => {
    const extra = (tag: string) =>
      `INSERT INTO gap (id, dev_addr, life, tag, kind, open, from_us, to_us, missed, first_missed, last_missed, heard,
         expected, rhythm_us, lacking, shown, context_from_us, context_to_us, judged_to_us, finding)
       SELECT 'X', dev_addr, life, '${tag}', kind, 0, ${at(20)}, ${at(23)}, 2, 21, 22, 0, 3, rhythm_us, 0, 1, 0, 0,
         judged_to_us, finding FROM gap`;
    expect(told(extra("run"))).toEqual([[GAP], 0]);
    expect(told(extra("episode"))).toEqual([[GAP], 0]);
    // An ending is not the counters' to tell: it stays.
    expect(told(extra("end"))).toEqual([[GAP, ["counters", 0, at(23), 2, 0]], expect.any(Number)]);
    // One that ended at the moment asked for is known by then.
    expect(told(extra("end").replace(String(at(23)), String(at(170))))[0]).toContainEqual([
      "counters",
      0,
      at(170),
      2,
      0,
    ]);
    expect(told(extra("end").replace(String(at(23)), String(at(170) + 1)))[0]).toEqual([GAP]);
  });

  it("is none where its life is there no more and nothing was found of it", () => {
    const away = `UPDATE frame SET life_id = NULL; DELETE FROM life; UPDATE gap SET finding = `;
    expect(told(`${away} NULL`)).toEqual([[], 0]);
    expect(told(`${away} finding`)).toEqual([[GAP], 0]);
  });
});

describe("a life that ended while nothing was recorded", () => {
  it("is not silent after it, as its row of today says nothing of that", () => {
    // Every minute to minute 99, 40 to 49 not heard; the service is away from 100:00 to 140:00, and the counter begins anew.
    const store = openStore(":memory:");
    const recorder = new Recorder(store, judgeGap);
    const at = (minute: number) => START_US + (minute * 60 + 7) * 1e6;
    const live = (from: number, to: number, counter: number) => {
      recorder.listen(START_US + from * 60e6, "start");
      for (let minute = from; minute < to; minute++) {
        const traffic = [0, 20, 40].map((s) => pull(SHED, minute * 60 + s, minute * 60 + s));
        if (minute < 40 || minute > 49)
          traffic.push(
            push(SHED, minute * 60 + 7, [{ payload: phy(NODE, counter + minute - from) }], minute),
          );
        traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
        recorder.record(
          traffic.map(({ arrival, ...rest }) => ({ ...rest, arrival: { ...arrival, door: "udp" } })),
        );
      }
      recorder.heartbeat(START_US + to * 60e6, true);
    };
    live(0, 100, 500);
    live(140, 180, 0);
    recorder.settle();
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    const { gaps } = gapsAsKnown(store, { fromUs: START_US, toUs: at(180) }, at(175), judgeGap);
    expect(gaps.map(({ life, kind, missed, fromUs, toUs }) => [life, kind, missed, fromUs, toUs])).toEqual([
      [1, "counters", 10, at(39), at(50)],
    ]);
  });
});
