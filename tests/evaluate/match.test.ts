/** The rule by which the evaluation calls a finding right, on dropouts and truths made by hand. */
import { describe, expect, it } from "vitest";
import type { DropoutRow, GapsView } from "../../src/contract/gaps.ts";
import type { CounterFate, Truth, TruthEpisode } from "../../src/simulate/truth-schema.ts";
import { match } from "./match.ts";
import { scoreOf } from "./score.ts";

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
const drowned = { 310: "noise", 330: "noise", 390: "noise" } as const;

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
