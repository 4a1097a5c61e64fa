import { describe, expect, it } from "vitest";
import type { DropoutRow, EpisodeRow, Finding } from "../../src/contract/gaps.ts";
import { type SiteEvidence, summariseSite } from "../../src/diagnosis/site-summary.ts";

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";

const finding = (cause: Finding["cause"], confidence = 0.9): Finding => ({
  cause,
  confidence,
  word: cause === "unexplained" ? "undecided" : "likely",
  sentence: `Missed something: ${cause}.`,
  evidence: [],
  against: [],
  alternatives: [],
  recordNext: cause === "unexplained" ? ["Record the other gateway too."] : [],
});

const gap = (id: string, more: Partial<DropoutRow> = {}): DropoutRow => ({
  id,
  devAddr: "01F2A101",
  life: 1,
  name: "Frost probe",
  network: "private",
  stranger: false,
  scope: "node",
  gateway: null,
  gatewayName: null,
  episode: null,
  kind: "counters",
  open: false,
  from: "2026-04-14T06:00:00.000Z",
  to: "2026-04-14T07:00:00.000Z",
  missedCounters: 6,
  firstMissedCounter: 1,
  lastMissedCounter: 6,
  heardCounters: 0,
  expectedByRhythm: 6,
  finding: finding("unexplained"),
  ...more,
});

const episode = (more: Partial<EpisodeRow> = {}): EpisodeRow => ({
  id: "e",
  scope: "gateway",
  gateway: SHED,
  gatewayName: "Packing shed",
  open: false,
  from: "2026-04-14T08:00:00.000Z",
  to: "2026-04-14T08:20:00.000Z",
  nodes: 4,
  missedCounters: 9,
  gapIds: ["x", "y", "z", "w"],
  finding: {
    ...finding("gateway-unreachable"),
    sentence: "4 nodes of Packing shed missed 9 counters together.",
  },
  ...more,
});

const node = (more: Partial<SiteEvidence["nodes"][number]> = {}): SiteEvidence["nodes"][number] => ({
  devAddr: "01F2A101",
  life: 1,
  title: "Frost probe",
  expected: 100,
  missed: 20,
  marginMedianDb: 1.2,
  spreadingFactor: 7,
  ...more,
});

const site = (more: Partial<SiteEvidence> = {}): SiteEvidence => ({
  nodes: [],
  channels: [],
  gateways: [],
  gaps: [],
  episodes: [],
  gatewayEvents: [],
  opening: "1 node lost 20 %.",
  recordedShare: 1,
  ...more,
});

const channel = (
  frequencyHz: number,
  more: Partial<SiteEvidence["channels"][number]> = {},
): SiteEvidence["channels"][number] => ({
  gatewayEui: SHED,
  gatewayTitle: "Packing shed",
  frequencyHz,
  frames: 100,
  due: 100,
  noiseDbm: [],
  ...more,
});

describe("a weak link", () => {
  it("is told once with its margin, its loss and the data rate that would help", () => {
    const { standing, toDo } = summariseSite(site({ nodes: [node()] }));
    expect(standing).toEqual([
      {
        kind: "weak-link",
        devAddr: "01F2A101",
        life: 1,
        gateway: null,
        frequencyHz: null,
        figure: 1.2,
        unit: "dB",
        gaps: 0,
        sentence: "Frost probe: median margin 1.2\u202FdB at SF7, 20\u202F% lost (20 of 100).",
      },
    ]);
    // SF8 has its floor 2.5 dB lower, SF9 5 dB (SX1276 data sheet, Table 13): 1.2 + 5 is the first at 5 dB or more.
    expect(toDo).toEqual([
      "Frost probe: try SF9 (5.0\u202FdB more margin, longer airtime), or another place or antenna.",
    ]);
  });
  it("is helped by no data rate where the margin stays below 5 dB at SF12", () => {
    const { toDo } = summariseSite(site({ nodes: [node({ marginMedianDb: 2, spreadingFactor: 12 })] }));
    expect(toDo[0]).toContain("a slower data rate alone does not give 5\u202FdB");
  });
  it.each([
    ["a good margin", { marginMedianDb: 5 }],
    ["a loss below 5 %", { missed: 4 }],
    ["fewer than ten counters due", { expected: 9, missed: 5 }],
    ["no known margin", { marginMedianDb: null }],
  ])("is not told of a node with %s", (_, more) => {
    expect(summariseSite(site({ nodes: [node(more)] })).standing).toEqual([]);
  });
  it("holds the gaps that it explains, which then stand in no event", () => {
    const gaps = [
      gap("a", { finding: finding("weak-link") }),
      gap("b", { kind: "steady" }),
      gap("c"),
      gap("d", { devAddr: "01F2A102", name: null, finding: finding("weak-link") }),
    ];
    const { standing, events } = summariseSite(site({ nodes: [node()], gaps }));
    expect(standing[0]).toMatchObject({ gaps: 2 });
    expect(standing[0]?.sentence).toMatch(/ 2 gaps belong to it\.$/);
    expect(events.map(({ devAddr, gaps: n, cause }) => [devAddr, n, cause])).toEqual([
      ["01F2A101", 1, "unexplained"],
      ["01F2A102", 1, "weak-link"],
    ]);
  });
});

describe("channels", () => {
  const quiet = Array.from({ length: 30 }, () => -118);
  const loud = Array.from({ length: 30 }, () => -114.5);

  it("are noisy where their median noise stands 2 dB above the others at most gateways", () => {
    const at = (gatewayEui: string) => [
      channel(868_100_000, { gatewayEui, noiseDbm: quiet }),
      channel(868_300_000, { gatewayEui, noiseDbm: loud }),
      channel(868_500_000, { gatewayEui, noiseDbm: quiet }),
    ];
    const { standing } = summariseSite(site({ channels: [...at(SHED), ...at(TOWER)] }));
    expect(standing).toHaveLength(1);
    expect(standing[0]).toMatchObject({
      kind: "noisy-channel",
      frequencyHz: 868_300_000,
      figure: 3.5,
      unit: "dB",
      sentence: "868.3\u202FMHz is 3.5\u202FdB noisier than the other channels at most of 2 gateways.",
    });
  });
  it("are not called noisy with fewer than 20 samples, or with two channels to compare", () => {
    const few = { noiseDbm: loud.slice(0, 19) };
    const three = [868_100_000, 868_500_000].map((hz) => channel(hz, { noiseDbm: quiet }));
    expect(summariseSite(site({ channels: [...three, channel(868_300_000, few)] })).standing).toEqual([]);
    const two = [channel(868_100_000, { noiseDbm: quiet }), channel(868_300_000, { noiseDbm: loud })];
    expect(summariseSite(site({ channels: two })).standing).toEqual([]);
  });
  it("are quiet where they bring less than 40 % of what is due, beyond chance", () => {
    // (100 - 39) / sqrt(100) = 6.1, above 5; (100 - 41) / 10 = 5.9 but 41 % is no lack; (36 - 13) / 6 = 3.8.
    const channels = [
      channel(868_100_000, { frames: 39 }),
      channel(868_300_000, { frames: 41 }),
      channel(868_500_000, { frames: 13, due: 36 }),
    ];
    const { standing, toDo } = summariseSite(site({ channels }));
    expect(standing.map(({ kind, frequencyHz, figure }) => [kind, frequencyHz, figure])).toEqual([
      ["quiet-channel", 868_100_000, 0.39],
    ]);
    expect(standing[0]?.sentence).toBe(
      "868.1\u202FMHz brought 39 frames; 100 are due if the nodes use their channels equally.",
    );
    expect(toDo).toEqual([
      "Compare the channel plan and the noise of 868.1\u202FMHz with the other channels.",
    ]);
  });
});

describe("gateways", () => {
  const gateway = (gatewayEui: string, heard: number, contradictions: string[] = []) => ({
    gatewayEui,
    title: `Gateway ${gatewayEui}`,
    heard,
    contradictions,
  });
  it("that hear less than a tenth of the best are told with both counts", () => {
    const { standing } = summariseSite(site({ gateways: [gateway(SHED, 1_000), gateway(TOWER, 99)] }));
    expect(standing.map(({ kind, gateway: eui, figure }) => [kind, eui, figure])).toEqual([
      ["deaf-gateway", TOWER, 0.099],
    ]);
    expect(standing[0]?.sentence).toBe(
      `Gateway ${TOWER} heard 99 frames of your nodes; Gateway ${SHED} heard 1\u202F000.`,
    );
  });
  it("are not compared before the best has heard a hundred frames", () => {
    expect(summariseSite(site({ gateways: [gateway(SHED, 99), gateway(TOWER, 0)] })).standing).toEqual([]);
  });
  it("that depart from their plan are told by the first contradiction", () => {
    const { standing } = summariseSite(
      site({ gateways: [gateway(SHED, 5, ["869.9 MHz is not a channel of EU868."])] }),
    );
    expect(standing[0]).toMatchObject({ kind: "wrong-plan", gateway: SHED, figure: 1, unit: "count" });
  });
});

describe("events", () => {
  it("hold an episode once, and all gaps of a node with one cause in one line", () => {
    const gaps = [
      gap("x", { episode: "e" }),
      gap("a", { missedCounters: 6 }),
      gap("b", {
        missedCounters: 30,
        from: "2026-04-14T09:00:00.000Z",
        to: "2026-04-14T14:00:00.000Z",
        open: true,
      }),
    ];
    const { events } = summariseSite(site({ gaps, episodes: [episode()] }));
    expect(events).toEqual([
      {
        from: "2026-04-14T08:00:00.000Z",
        to: "2026-04-14T08:20:00.000Z",
        open: false,
        cause: "gateway-unreachable",
        word: "likely",
        nodes: 4,
        gaps: 4,
        missedCounters: 9,
        devAddr: null,
        gateway: SHED,
        sentence: "4 nodes of Packing shed missed 9 counters together.",
      },
      {
        from: "2026-04-14T06:00:00.000Z",
        to: "2026-04-14T14:00:00.000Z",
        open: true,
        cause: "unexplained",
        word: "undecided",
        nodes: 1,
        gaps: 2,
        missedCounters: 36,
        devAddr: "01F2A101",
        gateway: null,
        sentence: "Frost probe: 2 gaps of 1\u202Fh to 5\u202Fh, 36 counters missed. Cause unknown.",
      },
    ]);
  });
});

describe("the opening", () => {
  it("has five sentences at most, and names a kind with many members once", () => {
    const nodes = Array.from({ length: 7 }, (_, i) => node({ devAddr: `01F2A10${i}`, title: `Probe ${i}` }));
    const episodes = Array.from({ length: 4 }, (_, i) => episode({ id: `e${i}` }));
    const { sentences, toDo } = summariseSite(site({ nodes, episodes }));
    expect(sentences[0]).toBe("1 node lost 20 %.");
    expect(sentences[1]).toMatch(/^7 nodes have a weak link\. First: Probe 0: /);
    expect(sentences.length).toBeLessThanOrEqual(5);
    expect(toDo.length).toBeLessThanOrEqual(8);
  });
  it("says how much of the window was recorded where less than 98 % was", () => {
    expect(summariseSite(site({ recordedShare: 0.423 })).sentences).toEqual([
      "1 node lost 20 %.",
      "Only 42\u202F% of this window was recorded; nothing is said of the rest.",
    ]);
    expect(summariseSite(site({ recordedShare: 0.98 })).sentences).toHaveLength(1);
  });
  it("says no more than the site's own sentence where nothing is wrong", () => {
    expect(summariseSite(site())).toEqual({
      sentences: ["1 node lost 20 %."],
      standing: [],
      events: [],
      eventsCut: false,
      toDo: [],
    });
  });
});
