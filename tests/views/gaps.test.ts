import { describe, expect, it } from "vitest";
import { GapPage, GapsView } from "../../src/contract/gaps.ts";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { gapPage } from "../../src/views/gap-page.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, listenedSite, moment, windowOf } from "./a-site.ts";

const NODES = ["01A2B3C4", "01A2B3C5", "01A2B3C6"] as const;
const HOUR = 3_600;

/** Three hours of three nodes every minute; the first is silent from 60 to 90 min, the gateway out from 120 to 126 min. */
function trafficWithGaps(): DecodedArrival[] {
  const traffic: DecodedArrival[] = [
    ...keepalives(SHED, 0, 120 * 60),
    ...keepalives(SHED, 126 * 60, 3 * HOUR),
  ];
  NODES.forEach((node, i) => {
    let counter = 10 * i;
    for (let minute = 0; minute < 180; minute++) {
      if (i === 0 && minute >= 60 && minute < 90) continue;
      counter += 1;
      if (minute >= 120 && minute < 126) continue;
      traffic.push(
        push(SHED, minute * 60 + 7 * (i + 1), [{ payload: phy(node, counter), snrDb: 3 }], minute),
      );
    }
  });
  return traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs);
}

function aSiteWithGaps(judge: typeof judgeGap | null = judgeGap): Store {
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judge);
  recorder.record(trafficWithGaps());
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return store;
}

/** The same, received by a service that did not run meanwhile: from 50 min 10 s to 55 min 30 s unless told. */
function aSiteWithAPause(stopS = 3_010, startS = 3_330): Store {
  const store = openStore(":memory:");
  for (const [fromS, toS] of [
    [0, stopS],
    [startS, 3 * HOUR],
  ] as const) {
    const { fromUs, toUs } = windowOf(fromS, toS);
    const recorder = new Recorder(store, judgeGap);
    recorder.listen(fromUs, "start");
    for (const { arrival, ...rest } of trafficWithGaps())
      if (arrival.atUs >= fromUs && arrival.atUs < toUs)
        recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
    recorder.heartbeat(toUs, true);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
  }
  return store;
}

/** Three nodes at the shed for three hours; it hears none of them from 60 to 90 min, while the tower hears the others. */
function twoGateways(): Store {
  const traffic: DecodedArrival[] = [...keepalives(SHED, 0, 3 * HOUR), ...keepalives(TOWER, 0, 3 * HOUR)];
  NODES.forEach((node, i) => {
    for (let minute = 0; minute < 180; minute++) {
      const atS = minute * 60 + 7 * (i + 1);
      const isDeaf = minute >= 60 && minute < 90;
      const packet = { payload: phy(node, minute), snrDb: isDeaf ? -3 : 3 };
      if (!isDeaf) traffic.push(push(SHED, atS, [packet], minute));
      if (i > 0) traffic.push(push(TOWER, atS + 0.05, [{ ...packet, snrDb: -4 }], minute));
    }
  });
  const store = openStore(":memory:");
  const recorder = new Recorder(store, judgeGap);
  recorder.record(traffic.sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  return store;
}

describe("the gaps of a window", () => {
  it("are rows of nodes with cause, confidence and sentences that carry figures, in the contract's form", () => {
    const view = GapsView.parse(gapsView(aSiteWithGaps(), windowOf(0, 3 * HOUR)));
    const silent = view.gaps.find(({ finding }) => finding.cause === "node-silent");
    expect(silent).toMatchObject({
      devAddr: NODES[0],
      life: 1,
      kind: "silence",
      scope: "node",
      open: false,
      missedCounters: 0,
      from: moment(59 * 60 + 7),
      to: moment(90 * 60 + 7),
    });
    expect(silent?.finding.word).toBe("certain");
    for (const { sentence } of silent?.finding.evidence ?? []) expect(sentence).toMatch(/\d.*\.$/);
    expect(view.counts).toMatchObject({ gaps: 4, nodes: 3, open: 0, missedCounters: 18 });
    expect(view.counts.byCause).toEqual({ "node-silent": 1, "gateway-unreachable": 3 });
  });

  it("are counted for all nodes and for your own, and the sentence counts your own", () => {
    const store = aSiteWithGaps();
    store.prepare("INSERT INTO label (kind, id, own) VALUES ('node', ?, 0)").run(NODES[2]);
    const { counts, sentence, gaps } = gapsView(store, windowOf(0, 3 * HOUR));
    // By hand: each of the three missed six counters in the outage, and the first was silent once more.
    const all = { "gateway-unreachable": 3, "node-silent": 1 };
    const own = { "gateway-unreachable": 2, "node-silent": 1 };
    expect(counts).toEqual({
      ...{ gaps: 4, open: 0, nodes: 3, missedCounters: 18, byCause: all },
      own: { gaps: 3, open: 0, nodes: 2, missedCounters: 12, byCause: own },
    });
    expect(gaps.filter(({ stranger }) => stranger).map(({ devAddr }) => devAddr)).toEqual([NODES[2]]);
    expect(sentence.map(({ text }) => text).join("")).toMatch(/^3 gaps of 2 nodes/);
  });

  it("count a node once, however many counter lives of it have gaps", () => {
    const store = aSiteWithGaps();
    store.prepare("UPDATE gap SET life = 2 WHERE kind = 'silence'").run();
    const { counts, sentence } = gapsView(store, windowOf(0, 3 * HOUR));
    expect([counts.gaps, counts.nodes, counts.own.nodes]).toEqual([4, 3, 3]);
    expect(sentence.map(({ text }) => text).join("")).toMatch(/^4 gaps of 3 nodes/);
  });

  it("are open in the counts as in the rows: a node that came back elsewhere has ended its gap", () => {
    const store = aSiteWithGaps();
    store.prepare("UPDATE gap SET open = 1, ended_us = to_us WHERE kind = 'silence'").run();
    const ended = gapsView(store, windowOf(0, 3 * HOUR));
    expect([ended.counts.open, ended.counts.own.open]).toEqual([0, 0]);
    store.prepare("UPDATE gap SET ended_us = NULL WHERE kind = 'silence'").run();
    const open = gapsView(store, windowOf(0, 3 * HOUR));
    expect([open.counts.open, open.counts.own.open]).toEqual([1, 1]);
    expect(open.gaps.filter((gap) => gap.open)).toHaveLength(1);
  });

  it("expect of a node that came back elsewhere only what was due until then", () => {
    const store = aSiteWithGaps();
    // Silent from 59 to 90 min at one frame a minute: 31 due. It came back elsewhere after ten minutes: 10.
    const due = () =>
      gapsView(store, windowOf(0, 3 * HOUR)).gaps.find(({ kind }) => kind === "silence")?.expectedByRhythm;
    expect(due()).toBe(31);
    store.prepare("UPDATE gap SET ended_us = from_us + 600000000 WHERE kind = 'silence'").run();
    expect(due()).toBe(10);
  });

  it("are one episode where nodes share the gateway's trouble", () => {
    const { episodes, gaps } = gapsView(aSiteWithGaps(), windowOf(0, 3 * HOUR));
    expect(episodes).toHaveLength(1);
    expect(episodes[0]).toMatchObject({ gateway: SHED, nodes: 3, missedCounters: 18, open: false });
    expect(episodes[0]?.finding.cause).toBe("gateway-unreachable");
    const shared = gaps.filter(({ episode }) => episode === episodes[0]?.id);
    expect(shared.map(({ id }) => id).sort()).toEqual([...(episodes[0]?.gapIds ?? [])].sort());
  });

  it("are those that touch the window, and none in a window without", () => {
    const store = aSiteWithGaps();
    expect(gapsView(store, windowOf(70 * 60, 80 * 60)).gaps).toHaveLength(1);
    const before = gapsView(store, windowOf(0, 30 * 60));
    expect(before.gaps).toEqual([]);
    expect(before.sentence.map(({ text }) => text).join("")).toMatch(/^No gap/);
  });

  it("are not denied where nobody recorded: the sentence says that, and nothing else", () => {
    const store = listenedSite([push(SHED, 10, [{ payload: phy(NODES[0] ?? "", 1) }])], 3 * HOUR);
    const later = gapsView(store, windowOf(4 * HOUR, 5 * HOUR));
    expect(later).toMatchObject({ recordedSeconds: 0, gaps: [] });
    expect(later.sentence[0]?.text).toMatch(
      /^Nothing was recorded in this window of .+: what was lost meanwhile is not known\.$/,
    );
    expect(gapsView(store, windowOf(2 * HOUR, 4 * HOUR)).recordedSeconds).toBeCloseTo(HOUR, 3);
  });

  it("are told also where nothing was recorded, when one from before reaches over that time", () => {
    const paused = gapsView(aSiteWithAPause(70 * 60, 80 * 60), windowOf(72 * 60, 78 * 60));
    expect(paused).toMatchObject({ recordedSeconds: 0, counts: { own: { gaps: 1 } } });
    expect(paused.sentence.map(({ text }) => text).join("")).toBe(
      "1 gap of 1 node in this window of 6\u202Fmin: node silent 1.",
    );
  });

  it("rest on the whole window for a store from before recorded time was kept, on none of it for an empty one", () => {
    const store = aSiteWithGaps();
    store.exec("DELETE FROM recorded_range");
    expect(gapsView(store, windowOf(HOUR, 3 * HOUR)).recordedSeconds).toBe(2 * HOUR);
    expect(gapsView(openStore(":memory:"), windowOf(HOUR, 3 * HOUR)).recordedSeconds).toBe(0);
  });

  it("say that they have not been looked into where nobody judged them yet", () => {
    const { gaps } = gapsView(aSiteWithGaps(null), windowOf(0, 3 * HOUR));
    expect(gaps.length).toBeGreaterThan(0);
    for (const { finding } of gaps) expect(finding).toMatchObject({ cause: "unexplained", confidence: 0 });
  });

  it("bear the name that the gateway has today, also where a store of before holds its identifier", () => {
    const store = aSiteWithGaps();
    const sentences = () =>
      gapsView(store, windowOf(0, 3 * HOUR))
        .gaps.filter(({ finding }) => finding.cause === "gateway-unreachable")
        .flatMap(({ finding }) => finding.evidence.map(({ sentence }) => sentence))
        .filter((sentence) => sentence.includes("sent nothing for"));
    const name = (text: string) =>
      store.prepare("INSERT OR REPLACE INTO label (kind, id, name) VALUES ('gateway', ?, ?)").run(SHED, text);
    expect(sentences().map((text) => text.slice(0, 43))).toEqual(
      Array(3).fill(`Gateway ${SHED} sent nothing for 6`),
    );
    name('Shed "$&"');
    expect(sentences().map((text) => text.slice(0, 26))).toEqual(Array(3).fill('Shed "$&" sent nothing for'));
    name("Packing shed");
    const before = JSON.stringify({
      sentence: "Missed 6 counters in 6 min: the gateway could not be reached; the node continued to send.",
      evidence: [
        {
          sentence: `Gateway ${SHED} sent nothing for 6 min; it has not come back.`,
          lane: "heartbeat",
          receptionsQuery: { devAddr: null, life: null, gateway: SHED, from: moment(0), to: moment(9) },
          weight: 5,
        },
      ],
      against: [],
      alternatives: [],
      recordNext: [],
    });
    store.prepare("UPDATE gap SET finding = ? WHERE cause = 'gateway-unreachable'").run(before);
    const view = GapsView.parse(gapsView(store, windowOf(0, 3 * HOUR)));
    const old = view.gaps.find(({ finding }) => finding.cause === "gateway-unreachable");
    expect(old?.finding.evidence).toEqual([
      {
        sentence: "Packing shed sent nothing for 6 min; it has not come back.",
        lane: "heartbeat",
        receptionsQuery: { devAddr: null, life: null, gateway: SHED, from: moment(0), to: moment(9) },
        weight: 5,
      },
    ]);
  });

  it("lead from every sentence to receptions of the gap's time", () => {
    const { gaps } = gapsView(aSiteWithGaps(), windowOf(0, 3 * HOUR));
    for (const { finding } of gaps) {
      for (const { receptionsQuery } of finding.evidence) {
        expect(receptionsQuery).not.toBeNull();
        expect(Date.parse(receptionsQuery?.to ?? "")).toBeGreaterThan(
          Date.parse(receptionsQuery?.from ?? ""),
        );
      }
    }
  });
});

describe("the page of one gap", () => {
  it("lays counters, neighbours and heartbeat on one axis", () => {
    const store = aSiteWithGaps();
    const [gap] = gapsView(store, windowOf(70 * 60, 80 * 60)).gaps;
    const page = GapPage.parse(gapPage(store, gap?.id ?? ""));
    expect(page.gap.id).toBe(gap?.id);
    const { axis } = page;
    expect(axis.toMs - axis.fromMs).toBe(axis.cells * axis.cellSeconds * 1000);
    for (const { keepalives, receptions } of page.heartbeat) {
      expect(keepalives).toHaveLength(axis.cells);
      expect(receptions).toHaveLength(axis.cells);
    }
    expect(page.counters.some(({ fate }) => fate === "heard")).toBe(true);
    const inGap = page.counters.filter(({ atMs }) => atMs > axis.gapFromMs && atMs < axis.gapToMs);
    expect(inGap).toEqual([]);
    expect(page.neighbours.map(({ devAddr }) => devAddr).sort()).toEqual([NODES[1], NODES[2]]);
    for (const { expected, heard } of page.neighbours) expect(Math.abs(expected - heard)).toBeLessThan(3);
  });

  it("says of the neighbours what the finding's sentence says", () => {
    // By hand: the silence without half a minute at each end is 30 minutes, in which two others sent every minute.
    const silence = aSiteWithGaps();
    const [gap] = gapsView(silence, windowOf(70 * 60, 80 * 60)).gaps;
    const page = gapPage(silence, gap?.id ?? "");
    expect(page?.neighboursCounted).toMatchObject({ nodes: 2, heard: 60 });
    expect(page?.neighbours.map(({ heard }) => heard)).toEqual([30, 30]);
    const told = gap?.finding.evidence.find(({ lane }) => lane === "neighbours")?.sentence;
    expect(told).toContain(
      `60 frames of 2 other nodes were heard there meanwhile, ${page?.neighboursCounted.expected} were`,
    );
  });

  it("counts no neighbour's frame that only another gateway heard", () => {
    const store = twoGateways();
    const pages = gapsView(store, windowOf(0, 3 * HOUR)).gaps.map(({ id }) => gapPage(store, id));
    const told = pages.flatMap((page) => {
      const sentence = page?.gap.finding.evidence.find(({ lane }) => lane === "neighbours")?.sentence ?? "";
      const figures = /(\d+) frames of (\d+) other nodes? were heard there meanwhile, (\d+) were/.exec(
        sentence,
      );
      return figures === null ? [] : [{ figures: figures.slice(1).map(Number), page }];
    });
    expect(told.length).toBeGreaterThan(0);
    for (const { figures, page } of told) {
      const { heard, nodes, expected } = page?.neighboursCounted ?? {};
      expect([heard, nodes, expected]).toEqual(figures);
      expect(page?.neighbours.reduce((sum, one) => sum + one.heard, 0)).toBe(heard);
    }
  });

  it("dates missed counters into their gap", () => {
    const store = aSiteWithGaps();
    const gap = gapsView(store, windowOf(0, 3 * HOUR)).gaps.find(
      ({ devAddr, missedCounters }) => devAddr === NODES[1] && missedCounters === 6,
    );
    const page = gapPage(store, gap?.id ?? "");
    const missed = page?.counters.filter(({ fate }) => fate === "missed") ?? [];
    expect(missed).toHaveLength(6);
    for (const { atMs } of missed) {
      expect(atMs).toBeGreaterThan(page?.axis.gapFromMs ?? 0);
      expect(atMs).toBeLessThan(page?.axis.gapToMs ?? 0);
    }
  });

  it("knows no load where nothing was recorded, and zero load where nothing came", () => {
    const store = aSiteWithAPause();
    const [gap] = gapsView(store, windowOf(70 * 60, 80 * 60)).gaps;
    const { axis, heartbeat, load } = GapPage.parse(gapPage(store, gap?.id ?? ""));
    const [range] = heartbeat[0]?.notRecorded ?? [];
    expect(axis.cellSeconds).toBe(60);
    const minuteOf = (ms: number) => (ms - axis.fromMs) / 60_000;
    const first = minuteOf(Date.parse(moment(3_010)));
    // The last microsecond of a run was recorded.
    expect([Math.floor(range?.fromMs ?? 0), range?.toMs]).toEqual([
      Date.parse(moment(3_010)),
      Date.parse(moment(3_330)),
    ]);
    const unknown = (load[0]?.values ?? []).flatMap((value, cell) => (value === null ? [cell] : []));
    // The cells that lie wholly in these 320 s.
    const whole = Array.from({ length: axis.cells }, (_, cell) => cell).filter(
      (cell) => cell >= first && cell + 1 <= first + 320 / 60,
    );
    expect(whole.length).toBeGreaterThanOrEqual(4);
    expect(unknown).toEqual(whole);
  });

  it("is null for a gap that is not there", () => {
    expect(gapPage(aSiteWithGaps(), "01A2B3C4-1-0-r")).toBeNull();
  });
});
