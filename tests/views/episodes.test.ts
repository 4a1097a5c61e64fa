/** Which dropouts of a window are one episode, and what an episode's row holds, on rows made by hand. */
import { describe, expect, it } from "vitest";
import type { DropoutRow } from "../../src/contract/gaps.ts";
import type { StoredGap, StoredOutage } from "../../src/store/queries/gaps.ts";
import { episodesOf } from "../../src/views/episodes.ts";
import { dropoutRow, NOT_JUDGED } from "../../src/views/gaps.ts";
import type { GapNames } from "../../src/views/known-gaps.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
const at = (minute: number) => new Date(Date.UTC(2026, 2, 14, 10, minute)).toISOString();
const us = (minute: number) => Date.parse(at(minute)) * 1000;
const WINDOW = { fromUs: us(0), toUs: us(240), live: false };

const names: GapNames = {
  nodes: new Map([["01A2B3C4", { name: "Pump", own: null }]]) as unknown as GapNames["nodes"],
  home: { networks: ["private"], assumed: false },
  gateways: new Map([
    [1, { eui: SHED, name: "Shed" }],
    [2, { eui: TOWER, name: null }],
  ]),
  gatewayNames: new Map([[SHED, "Shed"]]),
  lifeNumber: () => 1,
};

const row = (
  devAddr: string,
  from: number,
  to: number,
  more: object = {},
  finding: object = {},
): DropoutRow =>
  ({
    id: `${devAddr}-${from}`,
    devAddr,
    stranger: false,
    scope: "gateway",
    gateway: SHED,
    gatewayName: "Shed",
    episode: null,
    open: false,
    from: at(from),
    to: at(to),
    missedCounters: 3,
    finding: { cause: "interference", confidence: 0.8, sentence: "", ...finding },
    ...more,
  }) as unknown as DropoutRow;

const of = (rows: readonly DropoutRow[], outages: readonly StoredOutage[] = []) =>
  episodesOf(rows, outages, names, WINDOW);

describe("dropouts of one cause at one gateway at the same time", () => {
  it("are one episode: from the first to the last, with what they share and the surest finding", () => {
    const rows = [
      row("01A2B3C5", 20, 60, { missedCounters: 4, open: true }, { confidence: 0.9, word: "likely" }),
      row("01A2B3C4", 0, 30),
      row("01A2B3C6", 50, 55, { stranger: true }),
      // A second life of the first node.
      row("01A2B3C4", 40, 45, { missedCounters: 1 }),
    ];
    const { episodes, gaps } = of(rows);
    const id = `${SHED}-${Date.parse(at(0))}-interference`;
    expect(episodes).toEqual([
      {
        id,
        scope: "gateway",
        gateway: SHED,
        gatewayName: "Shed",
        open: true,
        from: at(0),
        to: at(60),
        nodes: 3,
        missedCounters: 4 + 3 + 3 + 1,
        gapIds: ["01A2B3C4-0", "01A2B3C5-20", "01A2B3C4-40", "01A2B3C6-50"],
        finding: {
          cause: "interference",
          confidence: 0.9,
          word: "likely",
          sentence: "2 nodes and 1 stranger of Shed missed 11 counters together: interference.",
        },
      },
    ]);
    // In the order given, each with its episode.
    expect(gaps).toEqual(rows.map((one) => ({ ...one, episode: id })));
  });

  it("are none where one begins as the other ends, of another cause, at another gateway, of one node, or a node's own", () => {
    for (const other of [
      row("01A2B3C5", 30, 60),
      row("01A2B3C5", 10, 60, {}, { cause: "congestion" }),
      row("01A2B3C5", 10, 60, { gateway: TOWER }),
      row("01A2B3C4", 10, 60),
      row("01A2B3C5", 10, 60, { scope: "node" }),
      row("01A2B3C5", 10, 60, { gateway: null }),
    ]) {
      const { episodes, gaps } = of([row("01A2B3C4", 0, 30), other]);
      expect(episodes).toEqual([]);
      expect(gaps.map(({ episode }) => episode)).toEqual([null, null]);
    }
  });

  it("are one as long as one of them reaches over the next, the newest episode first", () => {
    const rows = [
      ...[row("01A2B3C4", 0, 100), row("01A2B3C5", 10, 20), row("01A2B3C6", 90, 95)],
      ...[row("01A2B3C4", 120, 130), row("01A2B3C5", 121, 131)],
    ];
    expect(of(rows).episodes.map(({ from, to, nodes }) => [from, to, nodes])).toEqual([
      [at(120), at(131), 2],
      [at(0), at(100), 3],
    ]);
  });
});

describe("an outage of a gateway", () => {
  it("that cost no node a frame is an episode all the same", () => {
    const { episodes } = of([], [{ gatewayId: 2, fromUs: us(10), toUs: us(25) }]);
    const sentence = `${TOWER} sent nothing for 15 min; no node lost a frame because of it.`;
    expect(episodes.map((one) => ({ ...one, finding: { ...one.finding, sentence: "" } }))).toMatchObject([
      {
        id: `${TOWER}-${Date.parse(at(10))}-outage`,
        scope: "gateway",
        gateway: TOWER,
        gatewayName: null,
        open: false,
        from: at(10),
        to: at(25),
        nodes: 0,
        missedCounters: 0,
        gapIds: [],
      },
    ]);
    expect(episodes[0]?.finding).toMatchObject({
      cause: "gateway-unreachable",
      confidence: 0.95,
      word: "certain",
      alternatives: [{ cause: "gateway-restarted", confidence: 0.05 }],
    });
    expect(episodes[0]?.finding.sentence.replaceAll("\u202F", " ")).toBe(sentence);
    expect(episodes[0]?.finding.evidence).toMatchObject([
      { lane: "heartbeat", weight: 5, receptionsQuery: { gateway: TOWER, from: at(10), to: at(25) } },
    ]);
  });

  it("that goes on reaches to the window's end; of a gateway that is gone there is none", () => {
    const { episodes } = of(
      [],
      [
        { gatewayId: 1, fromUs: us(200), toUs: null },
        { gatewayId: 9, fromUs: us(200), toUs: us(210) },
      ],
    );
    expect(episodes.map(({ gateway, gatewayName, open, to }) => [gateway, gatewayName, open, to])).toEqual([
      [SHED, "Shed", true, at(240)],
    ]);
  });

  it("is no episode of its own where a dropout of that gateway and time is attributed to it", () => {
    const outage = { gatewayId: 1, fromUs: us(10), toUs: us(25) };
    const count = (...rows: DropoutRow[]) => of(rows, [outage]).episodes.length;
    for (const cause of ["gateway-unreachable", "gateway-restarted"])
      expect(count(row("01A2B3C4", 20, 40, {}, { cause }))).toBe(0);
    expect(count(row("01A2B3C4", 20, 40))).toBe(1);
    expect(count(row("01A2B3C4", 20, 40, { gateway: TOWER }, { cause: "gateway-unreachable" }))).toBe(1);
    // They share no moment.
    expect(count(row("01A2B3C4", 25, 40, {}, { cause: "gateway-unreachable" }))).toBe(1);
    expect(count(row("01A2B3C4", 0, 10, {}, { cause: "gateway-unreachable" }))).toBe(1);
    const goesOn = { ...outage, toUs: null };
    const late = row("01A2B3C4", 100, 140, {}, { cause: "gateway-unreachable" });
    expect(of([late], [goesOn]).episodes).toEqual([]);
  });
});

describe("a row of a dropout that nobody judged yet", () => {
  const gap = (more: Partial<StoredGap> = {}) =>
    ({
      id: "x",
      devAddr: 0x01a2b3c4,
      life: 2,
      kind: "silence",
      open: 1,
      fromUs: us(0),
      toUs: us(60),
      missed: 0,
      firstMissed: null,
      lastMissed: null,
      heard: 0,
      expected: 6,
      rhythmUs: 600_000_000,
      lacking: 0,
      endedUs: null,
      gatewayId: 1,
      scope: "node",
      cause: "unexplained",
      confidence: 0,
      finding: null,
      ...more,
    }) as unknown as StoredGap;
  const shown = (more: Partial<StoredGap>, window = WINDOW) => dropoutRow(gap(more), names, window);

  it("says so, and has the gap's figures", () => {
    expect(shown({})).toMatchObject({
      devAddr: "01A2B3C4",
      life: 2,
      name: "Pump",
      stranger: false,
      gateway: SHED,
      gatewayName: "Shed",
      kind: "silence",
      open: true,
      from: at(0),
      to: at(60),
      missedCounters: 0,
      heardCounters: 0,
      expectedByRhythm: 6,
      finding: { cause: "unexplained", confidence: 0, word: "undecided", sentence: NOT_JUDGED, evidence: [] },
    });
    expect(shown({ gatewayId: null })).toMatchObject({ gateway: null, gatewayName: null });
    expect(shown({ gatewayId: 2 })).toMatchObject({ gateway: TOWER, gatewayName: null });
  });

  it("is of a stranger where neither its network nor a label makes it one's own", () => {
    const devAddr = 0x26000001;
    expect(shown({ devAddr })).toMatchObject({ devAddr: "26000001", name: null, stranger: true });
    const nodes = new Map([["26000001", { name: null, own: 1 }]]) as unknown as GapNames["nodes"];
    expect(dropoutRow(gap({ devAddr }), { ...names, nodes }, WINDOW).stranger).toBe(false);
  });

  it("reaches to the present while it goes on, with what is due until then", () => {
    const live = { ...WINDOW, live: true };
    // Six frames an hour: 24 in four hours, two and a half in 25 minutes.
    expect(shown({}, live)).toMatchObject({ to: at(240), expectedByRhythm: 24 });
    expect(shown({}, { ...WINDOW, toUs: us(25) })).toMatchObject({ to: at(25), expectedByRhythm: 2.5 });
    expect(shown({ toUs: us(300) }, live)).toMatchObject({ to: at(300) });
    expect(shown({ endedUs: us(30) }, live)).toMatchObject({ to: at(30), open: false, expectedByRhythm: 3 });
    expect(shown({ open: 0 }, live)).toMatchObject({ to: at(60), open: false });
    expect(shown({ expected: null }).expectedByRhythm).toBeNull();
  });
});
