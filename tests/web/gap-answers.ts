/**
 * Answers for the pure functions of the list and the score of gaps, small enough to count by hand: A weak link that loses steadily, an outage of the shed that
 * three nodes share, a probe that has just fallen silent, and one gap that nothing explains.
 */
import type {
  DropoutRow,
  EpisodeRow,
  Evidence,
  Finding,
  GapPage,
  GapsView,
} from "../../src/contract/index.ts";
import { SHED, TOWER } from "../store/traffic.ts";

interface Span {
  readonly fromMs: number;
  readonly toMs: number;
  readonly live: boolean;
}

const NODES: readonly { readonly devAddr: string; readonly name: string | null }[] = [
  { devAddr: "01A2B3C4", name: "Frost probe row 12" },
  { devAddr: "01A2B3D0", name: "Pond pump" },
  { devAddr: "01A2B3C5", name: "Frost probe row 3" },
  { devAddr: "01A2B3C6", name: "Soil probe row 7" },
  { devAddr: "01A2B3C7", name: "Cold store 1 door" },
  { devAddr: "01A2B3C9", name: "Tractor tracker" },
];

const iso = (ms: number) => new Date(Math.round(ms)).toISOString();
const MINUTE = 60_000;

const PROBE = "01A2B3C4";
const PUMP = "01A2B3D0";
const ROW3 = "01A2B3C5";
const TRACKER = "01A2B3C9";

interface Moments {
  readonly at: (share: number) => number;
  readonly endMs: number;
}

function momentsOf(span: Span): Moments {
  return { at: (share) => span.fromMs + (span.toMs - span.fromMs) * share, endMs: span.toMs };
}

function evidence(
  sentence: string,
  lane: Evidence["lane"],
  weight: number,
  from: number,
  to: number,
): Evidence {
  return {
    sentence,
    lane,
    weight,
    receptionsQuery: { devAddr: null, life: null, gateway: SHED, from: iso(from), to: iso(to) },
  };
}

const NOTHING: Pick<Finding, "against" | "alternatives" | "recordNext"> = {
  against: [],
  alternatives: [],
  recordNext: [],
};

function outageFinding({ at }: Moments): Finding {
  const [from, to] = [at(0.4), at(0.52)];
  return {
    ...NOTHING,
    cause: "gateway-unreachable",
    confidence: 0.97,
    word: "certain",
    sentence:
      "The Packing shed gateway was unreachable for 7\u202Fmin: nothing of it arrived, and its counter ran on.",
    evidence: [
      evidence("42 keepalives were due, none came.", "heartbeat", 9.1, from, to),
      evidence("Three nodes went missing together where 14.8 frames were due.", "neighbours", 5.2, from, to),
    ],
    against: [
      evidence("The noise floor before it was 2 dB higher than usual.", "noise", -0.4, from - 600_000, from),
    ],
    alternatives: [{ cause: "gateway-restarted", confidence: 0.02 }],
  };
}

function row(span: Span, devAddr: string, id: string, part: Partial<DropoutRow>): DropoutRow {
  const plan = NODES.find((one) => one.devAddr === devAddr);
  const { at } = momentsOf(span);
  return {
    id,
    devAddr,
    life: 1,
    name: plan?.name ?? null,
    network: "private network 00",
    stranger: false,
    scope: "node",
    gateway: null,
    gatewayName: null,
    episode: null,
    kind: "counters",
    open: false,
    from: iso(at(0.4)),
    to: iso(at(0.52)),
    missedCounters: 2,
    firstMissedCounter: 1803,
    lastMissedCounter: 1804,
    heardCounters: 0,
    expectedByRhythm: 2,
    finding: outageFinding(momentsOf(span)),
    ...part,
  };
}

export function gapsView(span: Span): GapsView {
  const moments = momentsOf(span);
  const { at, endMs } = moments;
  const shared = {
    scope: "gateway" as const,
    gateway: SHED,
    gatewayName: "Packing shed",
    episode: "outage-1",
  };
  const gaps: DropoutRow[] = [
    row(span, TRACKER, "gap-open", {
      kind: "silence",
      open: true,
      from: iso(at(0.9)),
      to: iso(endMs),
      missedCounters: 0,
      firstMissedCounter: null,
      lastMissedCounter: null,
      expectedByRhythm: 3.1,
      finding: {
        ...NOTHING,
        cause: "node-silent",
        confidence: 0.62,
        word: "possible",
        sentence: "Tractor tracker has sent nothing since then; every gateway hears the others.",
        evidence: [
          evidence("11 of 11.4 frames of its neighbours were heard.", "neighbours", 2.1, at(0.9), endMs),
        ],
        recordNext: ["Wait for its next frame: its counter tells whether it continued to send."],
      },
    }),
    row(span, PROBE, "gap-unexplained", {
      from: iso(at(0.7)),
      to: iso(at(0.74)),
      missedCounters: 1,
      firstMissedCounter: 1842,
      lastMissedCounter: 1842,
      mark: { id: 2, at: iso(at(0.7)), text: "Cut the hedge by row 12" },
      finding: {
        ...NOTHING,
        cause: "unexplained",
        confidence: 0.4,
        word: "undecided",
        sentence: "One counter is missing and nothing else is out of the ordinary.",
        evidence: [],
        against: [evidence("The margin was 6.6 dB, as before.", "margin", -1.3, at(0.6), at(0.8))],
        alternatives: [
          { cause: "weak-link", confidence: 0.3 },
          { cause: "congestion", confidence: 0.2 },
        ],
        recordNext: ["Another day of this node: a single frame settles nothing."],
      },
    }),
    row(span, PROBE, "gap-shed-1", { ...shared, missedCounters: 3 }),
    row(span, PUMP, "gap-shed-2", {
      ...shared,
      missedCounters: 1,
      firstMissedCounter: 77,
      lastMissedCounter: 77,
    }),
    row(span, ROW3, "gap-shed-3", { ...shared, missedCounters: 2 }),
    row(span, PUMP, "gap-steady", {
      kind: "steady",
      from: iso(at(0.1)),
      to: iso(at(0.38)),
      missedCounters: 9,
      heardCounters: 31,
      expectedByRhythm: 40,
      finding: {
        ...NOTHING,
        cause: "weak-link",
        confidence: 0.88,
        word: "likely",
        sentence: "Pond pump lost 9 of 40 counters over this stretch with a margin of 1.2\u202FdB.",
        evidence: [
          evidence(
            "Its margin fell from 7.9 dB to 1.2 dB at the beginning of it.",
            "margin",
            4.4,
            at(0.05),
            at(0.38),
          ),
        ],
        against: [
          evidence(
            "5 of the 9 were on one channel; by chance 3.1 would be.",
            "channels",
            -0.6,
            at(0.1),
            at(0.38),
          ),
        ],
        alternatives: [{ cause: "interference", confidence: 0.08 }],
      },
    }),
  ];
  const episodes: EpisodeRow[] = [
    {
      id: "outage-1",
      scope: "gateway",
      gateway: SHED,
      gatewayName: "Packing shed",
      open: false,
      from: iso(at(0.4)),
      to: iso(at(0.52)),
      nodes: 3,
      missedCounters: 6,
      gapIds: ["gap-shed-1", "gap-shed-2", "gap-shed-3"],
      finding: outageFinding(moments),
    },
  ];
  const byCause: Record<string, number> = {};
  for (const { finding } of gaps) byCause[finding.cause] = (byCause[finding.cause] ?? 0) + 1;
  const own = { gaps: gaps.length, open: 1, nodes: 4, missedCounters: 16, byCause };
  return {
    window: { from: iso(span.fromMs), to: iso(span.toMs), live: span.live },
    sentence: [
      { text: "4 of 8 nodes have gaps, one of them still open; most was missed while " },
      { text: "the Packing shed gateway was unreachable", href: "/gaps?cause=gateway-unreachable" },
      { text: "." },
    ],
    counts: { ...own, own },
    episodes,
    gaps,
    recordedSeconds: 3_600,
    gapsCut: false,
  };
}

const CELLS = 96;

/** The page of one of the gaps above; null for another. */
export function gapPage(id: string, span: Span): GapPage | null {
  const gap = gapsView(span).gaps.find((one) => one.id === id);
  if (gap === undefined) return null;
  const [gapFromMs, gapToMs] = [Date.parse(gap.from), Date.parse(gap.to)];
  const length = Math.max(gapToMs - gapFromMs, 4 * MINUTE);
  const [fromMs, toMs] = [gapFromMs - length * 1.5, gapToMs + length * 1.5];
  const cellMs = (toMs - fromMs) / CELLS;
  const cells = Array.from({ length: CELLS }, (_, cell) => fromMs + (cell + 0.5) * cellMs);
  const inGap = (ms: number) => ms > gapFromMs && ms < gapToMs;
  const shedDead = (ms: number) => gap.finding.cause === "gateway-unreachable" && inGap(ms);
  const wave = (ms: number, seed: number) => Math.sin(ms / 171_000 + seed) + Math.sin(ms / 47_000 + seed * 3);
  const sent = Array.from({ length: 40 }, (_, at) => fromMs + ((toMs - fromMs) * (at + 0.5)) / 40);
  const gateways = [
    { gatewayEui: SHED, gatewayName: "Packing shed" },
    { gatewayEui: TOWER, gatewayName: "Water tower" },
  ];
  return {
    gap,
    axis: { fromMs, toMs, cellSeconds: cellMs / 1000, cells: CELLS, gapFromMs, gapToMs },
    counters: sent.map((atMs, at) => ({
      counter: 1780 + at,
      atMs,
      fate: inGap(atMs) ? ("missed" as const) : ("heard" as const),
      gateways: inGap(atMs) ? [] : at % 3 === 0 ? [TOWER] : [SHED, TOWER],
      repeatsAtMs: at % 17 === 0 ? [atMs + 3000] : [],
    })),
    neighboursCounted: { nodes: 5, heard: 55, expected: 57 },
    neighbours: NODES.slice(1).map(({ devAddr, name }, at) => ({
      devAddr,
      life: 1,
      name,
      heardAtMs: sent.filter((ms, index) => (index + at) % (at + 1) === 0 && !shedDead(ms)),
      expected: 12 / (at + 1),
      heard: gap.finding.cause === "gateway-unreachable" ? 0 : Math.round(11 / (at + 1)),
    })),
    heartbeat: gateways.map((gateway, at) => {
      const dead = (ms: number) => at === 0 && shedDead(ms);
      const each = (count: (ms: number) => number) => cells.map((ms) => (dead(ms) ? 0 : count(ms)));
      return {
        ...gateway,
        keepalives: each(() => 3),
        statusReports: each((ms) => Number(Math.floor(ms / cellMs) % 4 === 0)),
        datagrams: each((ms) => 8 + Math.round(3 * wave(ms, at))),
        receptions: each((ms) => 5 + Math.round(2 * wave(ms, at))),
        crcBad: each((ms) => Math.max(0, Math.round(wave(ms, at + 5)))),
        notRecorded: [],
        restartsAtMs: at === 0 && gap.finding.cause === "gateway-unreachable" ? [gapToMs] : [],
      };
    }),
    noiseDbm: gateways.map((gateway, at) => ({
      ...gateway,
      values: cells.map((ms, cell) => (cell % 5 === 4 ? null : -117 + at + wave(ms, at))),
    })),
    load: gateways.map((gateway, at) => ({
      ...gateway,
      values: cells.map((ms) => (at === 0 && shedDead(ms) ? null : 0.06 + 0.02 * wave(ms, at + 2))),
    })),
    margin: gateways.map((gateway, at) => {
      const heard = sent.filter((ms) => !inGap(ms));
      return {
        ...gateway,
        atMs: heard,
        marginDb: heard.map((ms) => 6.5 - 2 * at + wave(ms, at)),
        signalDbm: heard.map((ms) => -110 + wave(ms, at)),
        spreadingFactor: heard.map(() => 10),
        frequencyHz: heard.map((_, index) => 868_100_000 + (index % 3) * 200_000),
      };
    }),
    transmissions: [{ gatewayEui: TOWER, fromMs: fromMs + length, toMs: fromMs + length + 2000 }],
    joins: [{ devEui: "02005E10000000FE", atMs: gapToMs + length / 3 }],
    marks: gap.mark == null ? [] : [{ atMs: Date.parse(gap.mark.at), text: gap.mark.text }],
  };
}
