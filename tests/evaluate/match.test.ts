/** The rule by which the evaluation calls a finding right, on dropouts and truths made by hand. */
import { describe, expect, it } from "vitest";
import type { DropoutRow, GapsView } from "../../src/contract/gaps.ts";
import type { CounterFate, Truth, TruthEpisode } from "../../src/simulate/truth-schema.ts";
import { match } from "./match.ts";
import { realText } from "./print-score.ts";
import { KNOWN, realFindings, realScoreOf } from "./real-sets.ts";
import { calibrationOf, scoreOf } from "./score.ts";

const at = (minute: number) => new Date(Date.UTC(2026, 3, 14) + minute * 60_000).toISOString();
const RHYTHM_MINUTES = 10;

/** A day of one node, a counter every ten minutes, heard but for the fates named by minute. */
function truthOf(
  fates: Readonly<Record<number, CounterFate>>,
  injected: Partial<TruthEpisode>[] = [],
): Truth {
  const counters = Array.from({ length: 144 }, (_, counter) => ({
    counter,
    at: at(counter * RHYTHM_MINUTES),
    fate: fates[counter * RHYTHM_MINUTES] ?? "heard",
  }));
  return {
    from: at(0),
    to: at(1440),
    nodes: [{ name: "probe", devAddr: "01F2A102", stranger: false, counters }],
    injected: injected.map((episode) => ({
      alsoTrue: [],
      gateways: [],
      strength: {},
      nodes: [{ name: "probe", devAddrs: ["01F2A102"] }],
      ...episode,
    })),
  } as unknown as Truth;
}

const row = (cause: string, from: number, to: number, more: object = {}): DropoutRow =>
  ({
    devAddr: "01F2A102",
    stranger: false,
    kind: "counters",
    from: at(from),
    to: at(to),
    missedCounters: 2,
    finding: { cause, confidence: 0.9, sentence: "" },
    ...more,
  }) as unknown as DropoutRow;

const judge = (truth: Truth, ...gaps: DropoutRow[]) =>
  match(
    { truth, view: { gaps } as unknown as GapsView, datagrams: 0 },
    new Map([["probe", RHYTHM_MINUTES * 60]]),
  );
const noise = { cause: "interference", from: at(300), to: at(400) };
const deafAt = { cause: "gateway-deaf", from: at(300), to: at(400) };
const drowned = { 310: "noise", 330: "noise", 390: "noise" } as const;

describe("what leaves the same octets as another cause", () => {
  const minute = (m: number) => Date.parse(at(m)) * 1000;
  const said = (
    episode: Partial<TruthEpisode>,
    { signs = [] as number[], gateways = 1, event = {} as object, end = 1440 } = {},
  ) => {
    const fates = { 310: "noise", 330: "noise", 390: "noise" } as const;
    const deaf = { 310: "gateway-deaf", 330: "gateway-deaf", 390: "gateway-deaf" } as const;
    const truth = {
      ...truthOf(episode.cause === "interference" ? fates : deaf, [episode]),
      to: at(end),
      gateways: Array.from({ length: gateways }, () => ({})),
      events: [{ event: episode.cause, restartSeconds: 15, counterStands: false, ...event }],
    } as unknown as Truth;
    const view = { gaps: [row("gateway-deaf", 300, 400)] } as unknown as GapsView;
    const times = signs.map((m) => ({ fromUs: minute(m), toUs: minute(m) }));
    return match({ truth, view, datagrams: 0, signs: times }, new Map([["probe", 600]]));
  };

  it("is not asked: noise that let nothing through at the only gateway; what is said of it stays right or wrong", () => {
    const { faults, findings } = said(noise);
    expect(faults).toEqual([]);
    expect(findings).toMatchObject([{ cause: "gateway-deaf", isRight: false }]);
    expect(said(noise, { signs: [290, 410] }).faults).toEqual([]);
    expect(said(noise, { signs: [350] }).faults).toHaveLength(1);
    expect(said(noise, { gateways: 2 }).faults).toHaveLength(1);
  });

  it("is not asked: a radio that hears again by itself, or not yet; one that a restart cured is", () => {
    expect(said(deafAt).faults).toHaveLength(1);
    expect(said(deafAt, { event: { restartSeconds: 0 } }).faults).toEqual([]);
    expect(said(deafAt, { event: { restartSeconds: 0, counterStands: true } }).faults).toHaveLength(1);
    expect(said(deafAt, { end: 400 }).faults).toEqual([]);
    expect(said(deafAt, { end: 400, signs: [350] }).faults).toHaveLength(1);
  });
});

describe("a fault", () => {
  it("is found by a dropout of that node, that cause and that time", () => {
    expect(judge(truthOf(drowned, [noise]), row("interference", 300, 340)).faults).toEqual([
      { cause: "interference", node: "probe", answer: "interference", isFound: true, lostShare: 3 / 11 },
    ]);
    for (const other of [
      row("interference", 400, 500),
      row("interference", 300, 340, { devAddr: "01F2A103" }),
      row("interference", 300, 340, { stranger: true }),
    ])
      expect(judge(truthOf(drowned, [noise]), other).faults).toMatchObject([
        { answer: null, isFound: false },
      ]);
  });

  it("is not found by another cause, nor by none; what overlaps longest is its answer", () => {
    const faults = judge(
      truthOf(drowned, [noise]),
      row("weak-link", 300, 340),
      row("unexplained", 340, 400),
    ).faults;
    expect(faults).toMatchObject([{ answer: "weak-link", isFound: false }]);
    const open = judge(truthOf(drowned, [noise]), row("unexplained", 340, 400)).faults;
    expect(open).toMatchObject([{ answer: "unexplained", isFound: false }]);
  });

  it("counts only when it cost more than chance takes: two in a row, or three and a tenth", () => {
    expect(judge(truthOf({}, [noise])).faults).toEqual([]);
    expect(judge(truthOf({ 310: "noise", 330: "noise" }, [noise])).faults).toEqual([]);
    expect(judge(truthOf({ 310: "noise", 320: "noise" }, [noise])).faults).toHaveLength(1);
    const long = { ...noise, to: at(1000) };
    expect(judge(truthOf(drowned, [long])).faults).toEqual([]);
    expect(judge(truthOf({ 310: "collision", 330: "collision" }, [noise])).faults).toEqual([]);
    const short = { ...noise, to: at(315) };
    expect(judge(truthOf({ 310: "noise" }, [short])).faults).toHaveLength(1);
  });

  it("counts only where the node lost more to it than to other things", () => {
    const fates = { 310: "noise", 320: "noise", 330: "weak", 340: "weak", 350: "weak" } as const;
    expect(judge(truthOf(fates, [noise])).faults).toEqual([]);
  });

  it("may be called by another word that is true of it as well", () => {
    const outage = {
      cause: "gateway-restarted",
      alsoTrue: ["gateway-unreachable"],
      from: at(300),
      to: at(400),
    };
    const off = { 310: "gateway-off", 320: "gateway-off" } as const;
    expect(judge(truthOf(off, [outage]), row("gateway-unreachable", 300, 340)).faults).toMatchObject([
      { answer: "gateway-restarted", isFound: true },
    ]);
  });

  it("of silence counts when nothing was heard for more than two and a half rhythms", () => {
    const silent = { cause: "node-silent", from: at(302), to: at(322) };
    const without = (from: number, to: number): Truth => {
      const truth = truthOf({}, [silent]);
      const [life] = truth.nodes;
      life!.counters.splice(from / 10, (to - from) / 10);
      return truth;
    };
    expect(judge(without(310, 320), row("node-silent", 300, 320)).faults).toEqual([]);
    expect(judge(without(310, 330), row("node-silent", 300, 330)).faults).toMatchObject([{ isFound: true }]);
  });
});

describe("a finding", () => {
  it("is right by an injected cause that overlaps, or by the fate of at least half of what was lost", () => {
    const right = (truth: Truth, gap: DropoutRow) => judge(truth, gap).findings[0]!.isRight;
    expect(right(truthOf(drowned, [noise]), row("interference", 300, 340))).toBe(true);
    expect(right(truthOf(drowned, [noise]), row("congestion", 300, 340))).toBe(false);
    expect(right(truthOf({ 310: "weak", 320: "weak", 330: "noise" }), row("weak-link", 300, 340))).toBe(true);
    expect(right(truthOf({ 310: "weak", 320: "noise", 330: "noise" }), row("weak-link", 300, 340))).toBe(
      false,
    );
    expect(right(truthOf({}), row("node-silent", 300, 340))).toBe(false);
  });

  it("is wrong when it names a cause for what was sent while nobody recorded, whatever was injected", () => {
    const away = (from: number, to: number) => [
      { fromUs: Date.parse(at(from)) * 1000, toUs: Date.parse(at(to)) * 1000 },
    ];
    const judgeAway = (truth: Truth, notRecorded: ReturnType<typeof away>, cause?: string | null) =>
      match(
        {
          truth,
          view: { gaps: [row("interference", 300, 340)] } as unknown as GapsView,
          datagrams: 0,
          notRecorded,
        },
        new Map([["probe", RHYTHM_MINUTES * 60]]),
        cause,
      );
    expect(judgeAway(truthOf(drowned, [noise]), away(305, 335)).findings).toMatchObject([{ isRight: false }]);
    expect(judgeAway(truthOf(drowned, [noise]), away(600, 700)).findings).toMatchObject([{ isRight: true }]);
    // Nothing can be asked of what was lost then, nor of what is not the case's own fault.
    expect(judgeAway(truthOf(drowned, [noise]), away(305, 395)).faults).toEqual([]);
    expect(judgeAway(truthOf(drowned, [noise]), [], null).faults).toEqual([]);
  });

  it("that says unexplained is none, right or wrong", () => {
    const { findings, unexplained } = judge(truthOf(drowned, [noise]), row("unexplained", 300, 340));
    expect({ findings, unexplained }).toEqual({ findings: [], unexplained: 1 });
  });
});

describe("the score", () => {
  const one = { cause: "interference", strength: "mild", seed: 1 } as const;
  const results = [
    { ...judge(truthOf(drowned, [noise]), row("interference", 300, 340)), case: one },
    { ...judge(truthOf(drowned, [noise]), row("weak-link", 300, 340)), case: { ...one, seed: 2 } },
    { ...judge(truthOf({ 310: "weak" }), row("node-silent", 300, 330)), case: { ...one, cause: null } },
  ];

  it("counts found faults, right findings, wrong ones and false ones", () => {
    const score = scoreOf(results);
    const of = (cause: string) => score.causes.find((entry) => entry.cause === cause);
    expect(of("interference")).toMatchObject({
      faults: 2,
      found: 1,
      findings: 1,
      right: 1,
      precision: 1,
      recall: 0.5,
    });
    expect(of("interference")?.f1).toBeCloseTo(2 / 3, 9);
    expect(of("weak-link")).toMatchObject({ faults: 0, findings: 1, right: 0, f1: null });
    expect(score.wrongShare).toBeCloseTo(2 / 3, 9);
    expect(score.healthy).toMatchObject({ nodeDays: 1, falseFindings: 1, falsePerNodeWeek: 7 });
    expect(score.confusion.interference).toEqual({ interference: 1, "weak-link": 1 });
    expect(score.worst.map(({ cause }) => cause)).toEqual(["weak-link", "node-silent"]);
  });
});

describe("the table of real receptions", () => {
  const finding = (cause: string, confidence: number, isRight: boolean | null, part = "whole") =>
    ({ set: "indoor node", part, cause, confidence, isRight }) as const;
  const real = realScoreOf([
    finding("weak-link", 0.86, true),
    finding("weak-link", 0.88, true, "2023-07-01"),
    finding("interference", 0.85, false),
    finding("interference", 0.97, null),
    finding("unexplained", 0.7, false),
  ]);

  it("counts named causes where the truth is known, by confidence, and the others beside them", () => {
    expect(real).toMatchObject({ dropouts: 5, leftOpen: 1, notKnown: 1 });
    const bin = calibrationOf(real.named).find(({ from }) => from === 0.8);
    expect(bin?.findings).toBe(3);
    expect(bin?.shareRight).toBeCloseTo(2 / 3, 9);
    expect(bin?.meanConfidence).toBeCloseTo((0.86 + 0.88 + 0.85) / 3, 9);
    expect(real.bySet[0]).toEqual({
      set: "indoor node",
      part: "whole",
      leftOpen: 1,
      right: 1,
      wrong: 1,
      notKnown: 1,
    });
    expect(real.bySet[1]).toMatchObject({ part: "weeks", right: 1, wrong: 0 });
  });

  it("is printed with each known truth, its source, and what was wrong", () => {
    const text = realText(real);
    for (const { what, source } of KNOWN) {
      expect(text).toContain(what);
      expect(text).toContain(source);
    }
    expect(text).toMatch(/0\.80 to 0\.90 +3 +2 +0\.863 +0\.667/);
    expect(text).toContain("wrong: indoor node, whole: said interference at 0.85");
  });

  it("has no wrong cause on the far node and the indoor node, week by week", () => {
    // As a whole: tests/published/open-findings.test.ts, finding by finding.
    const score = realScoreOf(realFindings({ whole: false }));
    expect(score.wrong).toEqual([]);
    expect(score.named.length).toBeGreaterThan(20);
  });
});
