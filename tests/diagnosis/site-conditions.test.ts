/** Which conditions of a site are told as standing, from which figure on, and what is advised? */
import { describe, expect, it } from "vitest";
import type { DropoutRow } from "../../src/contract/gaps.ts";
import {
  type ChannelStanding,
  type ConditionEvidence,
  type HearingStanding,
  type NodeStanding,
  standingConditions,
} from "../../src/diagnosis/site-conditions.ts";

const plain = (text: string) => text.replaceAll("\u202F", " ");
const conditions = (evidence: Partial<ConditionEvidence>) =>
  standingConditions({ nodes: [], channels: [], gateways: [], gaps: [], ...evidence });
const told = (evidence: Partial<ConditionEvidence>) =>
  conditions(evidence).map(({ sentence }) => plain(sentence));

describe("a weak link", () => {
  const node = (change: Partial<NodeStanding> = {}): NodeStanding => ({
    devAddr: "01F2A117",
    life: 1,
    title: "Frost probe",
    expected: 1_000,
    missed: 120,
    marginMedianDb: 2.04,
    spreadingFactor: 9,
    ...change,
  });
  const gap = (id: string, change: object = {}) =>
    ({
      id,
      devAddr: "01F2A117",
      life: 1,
      kind: "steady",
      finding: { cause: "weak-link" },
      ...change,
    }) as unknown as DropoutRow;

  it("is told with its margin, its loss and its gaps, and the data rate that would do", () => {
    const gaps = [
      gap("1"),
      gap("2", { kind: "counters" }),
      gap("3", { finding: { cause: "unexplained" } }),
      // Not of it: another cause, a dropout nobody explained, another life, another node.
      gap("4", { finding: { cause: "interference" } }),
      gap("5", { kind: "counters", finding: { cause: "unexplained" } }),
      gap("6", { life: 2 }),
      gap("7", { devAddr: "01F2A118" }),
    ];
    const [one] = conditions({ nodes: [node()], gaps });
    expect(one).toMatchObject({
      kind: "weak-link",
      devAddr: "01F2A117",
      life: 1,
      gateway: null,
      frequencyHz: null,
      figure: 2.04,
      unit: "dB",
      gaps: 3,
      gapIds: ["1", "2", "3"],
      subject: "Frost probe",
    });
    expect(plain(one!.sentence)).toBe(
      "Frost probe: median margin 2.0 dB at SF9, 12 % lost (120 of 1 000). 3 gaps belong to it.",
    );
    // Floors of SX1276, table 13: SF9 −12.5 dB, SF10 −15 dB: 2.5 dB more would still be under 5 dB; SF11 gives 5 dB more.
    expect(plain(one!.step("Frost probe"))).toBe(
      "Frost probe: try SF11 (5.0 dB more margin, longer airtime), or another place or antenna.",
    );
  });

  it("has one gap in words, and none without a word", () => {
    expect(told({ nodes: [node()], gaps: [gap("1")] })[0]).toMatch(/One gap belongs to it\.$/);
    expect(told({ nodes: [node()] })[0]).toMatch(/\(120 of 1 000\)\.$/);
  });

  it("at SF12, or where no slower rate suffices, needs another place", () => {
    const step = (change: Partial<NodeStanding>) =>
      plain(conditions({ nodes: [node(change)] })[0]!.step("It"));
    const place = "It: another place or antenna; a slower data rate alone does not give 5 dB of margin.";
    expect(step({ spreadingFactor: 12 })).toBe(place);
    expect(step({ spreadingFactor: 11, marginMedianDb: 2.4 })).toBe(place);
    expect(step({ spreadingFactor: 11, marginMedianDb: 2.5 })).toMatch(/^It: try SF12 \(2\.5 dB more/);
    expect(step({ spreadingFactor: null })).toBe(place);
  });

  it("takes a margin below 5 dB, 5 % of loss and ten counters", () => {
    const count = (change: Partial<NodeStanding>) => told({ nodes: [node(change)] }).length;
    expect(count({ marginMedianDb: 4.99 })).toBe(1);
    expect(count({ marginMedianDb: 5 })).toBe(0);
    expect(count({ marginMedianDb: null })).toBe(0);
    expect(count({ missed: 50 })).toBe(1);
    expect(count({ missed: 49 })).toBe(0);
    expect(count({ expected: 10, missed: 9 })).toBe(1);
    expect(count({ expected: 9, missed: 9 })).toBe(0);
  });
});

describe("a channel", () => {
  const GATEWAYS = ["02005E1000000001", "02005E1000000002"];
  const channel = (gateway: number, index: number, change: Partial<ChannelStanding> = {}) => ({
    gatewayEui: GATEWAYS[gateway]!,
    gatewayTitle: `Gateway ${gateway}`,
    frequencyHz: 868_100_000 + 200_000 * index,
    frames: 100,
    due: 100,
    noiseDbm: new Array<number>(20).fill(-118),
    ...change,
  });
  const noisy = (dbm: number, count = 20) => ({ noiseDbm: new Array<number>(count).fill(dbm) });

  it("2 dB louder than the median of the others is noisy", () => {
    const of = (dbm: number) => told({ channels: [channel(0, 0), channel(0, 1, noisy(dbm)), channel(0, 2)] });
    expect(of(-116)).toEqual(["868.3 MHz is 2.0 dB noisier than the other channels at the gateway."]);
    expect(of(-116.1)).toEqual([]);
  });

  it("is noisy only where most gateways that can tell say so", () => {
    const loudAt = (...loud: readonly number[]) =>
      told({
        channels: [0, 1].flatMap((gateway) => [
          channel(gateway, 0),
          channel(gateway, 1, noisy(loud.includes(gateway) ? -110 : -118)),
          channel(gateway, 2),
        ]),
      });
    expect(loudAt(0, 1)).toEqual([
      "868.3 MHz is 8.0 dB noisier than the other channels at most of 2 gateways.",
    ]);
    expect(loudAt(0)).toEqual([]);
  });

  it("is not compared with fewer than 20 samples, nor beside fewer than two others", () => {
    expect(told({ channels: [channel(0, 0), channel(0, 1, noisy(-100, 19)), channel(0, 2)] })).toEqual([]);
    expect(told({ channels: [channel(0, 0), channel(0, 1, noisy(-100))] })).toEqual([]);
  });

  it("that brings under 40 % of what is due, beyond chance, is quiet", () => {
    const of = (frames: number, due: number) => conditions({ channels: [channel(0, 0, { frames, due })] });
    const [one] = of(39, 100);
    expect(one).toMatchObject({
      kind: "quiet-channel",
      frequencyHz: 868_100_000,
      figure: 0.39,
      unit: "share",
    });
    expect(plain(one!.sentence)).toBe(
      "868.1 MHz brought 39 frames; 100 are due if the nodes use their channels equally.",
    );
    expect(of(40, 100)).toEqual([]);
    // (30 − frames) / √30 > 5: 2 frames are beyond chance (5.11), 3 are not (4.93).
    expect(of(2, 30)).toHaveLength(1);
    expect(of(3, 30)).toHaveLength(0);
    expect(of(0, 29)).toHaveLength(0);
  });
});

describe("a gateway", () => {
  const hearing = (
    index: number,
    heard: number,
    contradictions: readonly string[] = [],
  ): HearingStanding => ({
    gatewayEui: `02005E100000000${index}`,
    title: `Gateway ${index}`,
    heard,
    contradictions,
  });

  it("that hears less than a tenth of what the best hears is told beside it", () => {
    const [one, ...rest] = conditions({ gateways: [hearing(1, 1_000), hearing(2, 99), hearing(3, 100)] });
    expect(rest).toEqual([]);
    expect(one).toMatchObject({ kind: "deaf-gateway", gateway: "02005E1000000002", figure: 0.099 });
    expect(plain(one!.sentence)).toBe("Gateway 2 heard 99 frames of your nodes; Gateway 1 heard 1 000.");
  });

  it("is not judged while the best heard fewer than 100", () => {
    expect(told({ gateways: [hearing(1, 99), hearing(2, 0)] })).toEqual([]);
    expect(told({ gateways: [hearing(1, 100), hearing(2, 0)] })).toHaveLength(1);
    expect(told({})).toEqual([]);
  });

  it("whose channels contradict its plan is told by the first contradiction, with their number", () => {
    const [one] = conditions({ gateways: [hearing(1, 10, ["868.3 MHz is silent.", "Another."])] });
    expect(one).toMatchObject({ kind: "wrong-plan", figure: 2, unit: "count" });
    expect(one!.sentence).toBe("Gateway 1: 868.3 MHz is silent.");
    expect(one!.step("Gateway 1")).toBe("Compare the channels with the plan of your network: Gateway 1.");
  });
});
