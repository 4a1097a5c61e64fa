/** How far a scene reaches where much was heard, whose receptions it holds, and what is kept of its finding. */
import { describe, expect, it } from "vitest";
import type { FindingEvidence, GapJudgement } from "../../../src/model/gap.ts";
import { SceneBlocks } from "../../../src/store/gaps/context-cache.ts";
import { SceneReader, sceneOfGap } from "../../../src/store/gaps/gap-context.ts";
import { findingText } from "../../../src/store/gaps/gap-rows.ts";
import { OutageWriter } from "../../../src/store/gaps/outages.ts";
import { openStore, type Store } from "../../../src/store/open.ts";
import type { StoredGap } from "../../../src/store/queries/gaps.ts";
import { readRecordedTime } from "../../../src/store/recorded-time.ts";
import { type DecodedArrival, Recorder } from "../../../src/store/recorder.ts";
import { type HeardOptions, phy, pull, push, SHED, START_US, TOWER } from "../traffic.ts";

const NODE = "01A2B3C4";
const YARD = "02005E1000000003";
const MINUTE_US = 60e6;
const at = (minute: number) => START_US + minute * MINUTE_US;
const inMinutes = ({ fromUs, toUs }: { fromUs: number; toUs: number }) =>
  [fromUs, toUs].map((us) => Math.round((100 * (us - START_US)) / MINUTE_US) / 100);

function filled(traffic: readonly DecodedArrival[]): Store {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, null);
  recorder.record([...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  recorder.settle();
  return store;
}

const hear = (eui: string, minute: number, counter: number, options: Partial<HeardOptions> = {}) =>
  push(eui, minute * 60, [{ payload: phy(NODE, counter), ...options }], counter);

/** A gap of the node between two minutes; its rhythm is one minute: 6 h before and 1 h after are its context. */
const gap = (fromMinute: number, toMinute: number, more: Partial<StoredGap> = {}) =>
  ({
    id: "01A2B3C4-1-x-r",
    devAddr: 0x01a2b3c4,
    life: 1,
    kind: "counters",
    open: 0,
    fromUs: at(fromMinute),
    toUs: at(toMinute),
    missed: toMinute - fromMinute - 1,
    firstMissed: fromMinute + 1,
    lastMissed: toMinute - 1,
    heard: 0,
    expected: toMinute - fromMinute,
    rhythmUs: MINUTE_US,
    lacking: 0,
    ...more,
  }) as unknown as StoredGap;

describe("the reach of a scene", () => {
  const range = (from: number, to: number) => Array.from({ length: to - from + 1 }, (_, i) => from + i);
  const store = filled([
    ...range(0, 620).map((minute) => pull(SHED, minute * 60 + 1, minute)),
    ...range(0, 620).flatMap((minute) => (minute > 400 && minute < 500 ? [] : [hear(SHED, minute, minute)])),
  ]);
  const ranges = (perMinute: number, more: Partial<StoredGap> = {}) => {
    store.prepare("UPDATE gateway_minute SET crc_ok = ?, crc_bad = 1, crc_none = 1").run(perMinute - 2);
    const scene = sceneOfGap(store, gap(400, 500, more));
    return scene === null ? null : [scene.before, scene.within, scene.after].map(inMinutes);
  };

  it("is the gap's context where little was heard", () => {
    expect(ranges(2)).toEqual([
      [40, 400],
      [400, 500],
      [500, 560],
    ]);
  });

  it("is shorter where more was heard: 3 000 packets before, 4 000 within, 1 000 after", () => {
    // Thirty a minute: 100 min before, 133 within, which has a hundred, and 33 after.
    expect(ranges(30)).toEqual([
      [300, 400],
      [400, 500],
      [500, 533.33],
    ]);
    // Sixty a minute: 50 min before, and of the gap 67, so that nothing is known of after.
    expect(ranges(60)).toEqual([
      [350, 400],
      [400, 466.67],
      [466.67, 466.67],
    ]);
  });

  it("is a quarter of an hour on each side at the least", () => {
    expect(ranges(1_000)).toEqual([
      [385, 400],
      [400, 415],
      [415, 415],
    ]);
    expect(ranges(1_000, { toUs: at(410) })).toEqual([
      [385, 400],
      [400, 410],
      [410, 425],
    ]);
  });

  it("ends with a gap that goes on", () => {
    expect(ranges(2, { kind: "silence", open: 1 })?.slice(1)).toEqual([
      [400, 500],
      [500, 500],
    ]);
  });
});

describe("the interval of a home gateway", () => {
  it("is that of the hour up to the gap, its begin included, or else of the day and the gap", () => {
    // Each minute until the gap begins at 40:00, each 20 s from then on.
    const keepaliveS = (firstS: number) => {
      const seconds = [2_280, 2_340, 2_400, ...Array.from({ length: 60 }, (_, i) => 2_420 + 20 * i)];
      const store = filled([
        ...seconds.filter((s) => s >= firstS).map((s) => pull(SHED, s, s)),
        ...[36, 37, 38, 39, 40, 60].map((minute) => hear(SHED, minute, minute)),
      ]);
      return (sceneOfGap(store, gap(40, 60))?.homes[0]?.keepaliveUs ?? 0) / 1e6;
    };
    expect([keepaliveS(2_280), keepaliveS(2_340)]).toEqual([60, 20]);
  });
});

describe("an outage of a home gateway", () => {
  it("goes on where its end was not known yet", () => {
    // Keepalives and frames each minute, but from 50:00 to 60:00; known up to 55, 57 and 70 min.
    const minutes = Array.from({ length: 71 }, (_, i) => i).filter((minute) => minute <= 50 || minute >= 60);
    const store = filled(
      minutes.flatMap((minute) => [
        pull(SHED, minute * 60, minute),
        hear(SHED, minute, minute, { tmstUs: (minute + 1) * 60e6 }),
      ]),
    );
    const writer = new OutageWriter(store, () => readRecordedTime(store));
    writer.scan(1, { fromUs: at(0), toUs: at(70) }, at(70));
    const reader = new SceneReader(store, new SceneBlocks(store), writer);
    const outages = (toMinute: number, frontierMinute: number) =>
      reader
        .read(
          { ...gap(50, toMinute), open: true, expectedByRhythm: 5 } as never,
          at(frontierMinute),
          at(frontierMinute),
        )
        ?.homes[0]?.outages.map((out) => [...inMinutes(out), out.open, out.restarted]);
    expect(outages(55, 55)).toEqual([[50, 55, true, null]]);
    expect(outages(55, 57)).toEqual([[50, 57, true, null]]);
    expect(outages(58, 57)).toEqual([[50, 58, true, null]]);
    expect(outages(65, 70)).toEqual([[50, 60, false, false]]);
  });
});

describe("a silence of all gateways", () => {
  it("is told by the intervals of around the gap, and up to two minutes after it", () => {
    // A keepalive each minute until 35:00, then each 20 s but from 55:00 to 55:50 and from 60:40 to 62:00.
    const range = (from: number, to: number, step: number) =>
      Array.from({ length: Math.floor((to - from) / step) + 1 }, (_, i) => from + i * step);
    const seconds = [
      ...range(0, 2_100, 60),
      ...range(2_120, 3_300, 20),
      ...range(3_350, 3_640, 20),
      ...range(3_720, 4_200, 20),
    ];
    const frames = range(0, 40, 1).map((minute) => hear(SHED, minute, minute));
    const store = filled([...seconds.map((s) => pull(SHED, s, s)), ...frames, hear(SHED, 60, 60)]);
    const scene = sceneOfGap(store, gap(40, 60));
    expect(scene?.followed).toBe(1);
    expect(scene?.nobody.map(inMinutes)).toEqual([
      [55, 55.83],
      [60.5, 62],
    ]);
  });
});

describe("the gateways of a scene", () => {
  /** By gateway the minutes of 0 to 40 in which it heard the node, and at which SNR; the gap is from 20 to 30. */
  const homes = (
    heard: Readonly<Record<string, { minutes: readonly number[]; snrDb: number | undefined }>>,
  ) => {
    const store = filled(
      Object.entries(heard).flatMap(([eui, { minutes, snrDb }], i) =>
        minutes.map((minute) =>
          hear(eui, minute + i / 60_000, minute, snrDb === undefined ? { signals: [NO_SNR] } : { snrDb }),
        ),
      ),
    );
    return sceneOfGap(store, gap(20, 30))?.homes.map(({ eui }) => eui);
  };
  const NO_SNR = {
    antenna: 0,
    ifChannel: 2,
    rssiDbm: -97,
    signalRssiDbm: null,
    snrDb: null,
    frequencyOffsetHz: null,
  };
  const first = (count: number) => Array.from({ length: count }, (_, i) => i + 1);
  const last = (count: number) => Array.from({ length: count }, (_, i) => 31 + i);

  it("come by how much of the node they heard before the gap, what they heard after counting three tenths", () => {
    // 20 against 5 + 5 x 0.3.
    expect(
      homes({
        [SHED]: { minutes: [...first(5), ...last(5)], snrDb: 9 },
        [TOWER]: { minutes: first(20), snrDb: 1 },
      }),
    ).toEqual([TOWER, SHED]);
    // 5 against 10 x 0.3: heard after the gap alone.
    expect(
      homes({ [SHED]: { minutes: last(10), snrDb: 9 }, [TOWER]: { minutes: first(5), snrDb: 1 } }),
    ).toEqual([TOWER, SHED]);
  });

  it("come by strength where they heard 85 in a hundred of the most", () => {
    const two = (tower: number) =>
      homes({
        [SHED]: { minutes: first(20), snrDb: 1 },
        [TOWER]: { minutes: first(tower), snrDb: 9 },
      });
    expect(two(17)).toEqual([TOWER, SHED]);
    expect(two(16)).toEqual([SHED, TOWER]);
    // The mean of those it heard, not their sum: 20 x 3 dB against 17 x 3.2 dB.
    expect(
      homes({
        [SHED]: { minutes: first(20), snrDb: 3 },
        [TOWER]: { minutes: first(17), snrDb: 3.2 },
      }),
    ).toEqual([TOWER, SHED]);
  });

  it("are in order of their first datagram where they heard as much and as well, an unknown SNR as 0 dB", () => {
    const same = { minutes: first(20), snrDb: 5 };
    expect(homes({ [SHED]: same, [TOWER]: same })).toEqual([SHED, TOWER]);
    expect(
      homes({ [SHED]: { minutes: first(20), snrDb: -1 }, [TOWER]: { ...same, snrDb: undefined } }),
    ).toEqual([TOWER, SHED]);
  });

  it("heard a fifth of what the best one heard", () => {
    const with3 = (yard: number) =>
      homes({
        [SHED]: { minutes: first(20), snrDb: 5 },
        [YARD]: { minutes: first(yard), snrDb: 5 },
      });
    expect(with3(4)).toEqual([SHED, YARD]);
    expect(with3(3)).toEqual([SHED]);
  });
});

describe("what is kept of a finding", () => {
  const evidence = (weight: number, restsOn: FindingEvidence["restsOn"]): FindingEvidence => ({
    sentence: "3 of 4 keepalives came.",
    lane: "heartbeat",
    restsOn,
    weight,
  });
  const range = { fromUs: Date.UTC(2026, 2, 14, 9) * 1_000, toUs: Date.UTC(2026, 2, 14, 10) * 1_000 };

  it("is its sentence, its evidence with the receptions that it rests on, what else it may be, and what to record", () => {
    const judgement: GapJudgement = {
      isChance: false,
      cause: "weak-link",
      confidence: 0.9,
      word: "likely",
      sentence: "Missed 3 counters in 4 min.",
      evidence: [
        evidence(2.345, { ...range, ofNode: true, gatewayEui: null }),
        evidence(1.004, { ...range, ofNode: false, gatewayEui: SHED }),
      ],
      against: [evidence(-0.996, null)],
      alternatives: [{ cause: "interference", confidence: 0.12346 }],
      recordNext: ["Wait."],
      scope: "node",
      gatewayId: null,
    };
    const common = { sentence: "3 of 4 keepalives came.", lane: "heartbeat" };
    const [from, to] = ["2026-03-14T09:00:00.000Z", "2026-03-14T10:00:00.000Z"];
    expect(JSON.parse(findingText({ devAddr: 0x01a2b3c4, life: 2 }, judgement))).toEqual({
      sentence: "Missed 3 counters in 4 min.",
      evidence: [
        {
          ...common,
          receptionsQuery: { devAddr: NODE, life: 2, gateway: null, from, to },
          weight: 2.35,
        },
        {
          ...common,
          receptionsQuery: { devAddr: null, life: null, gateway: SHED, from, to },
          weight: 1,
        },
      ],
      against: [{ ...common, receptionsQuery: null, weight: -1 }],
      alternatives: [{ cause: "interference", confidence: 0.123 }],
      recordNext: ["Wait."],
    });
  });
});
