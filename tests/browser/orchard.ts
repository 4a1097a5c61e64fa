/**
 * What would the service say of Fennick Orchard? Invented answers of the contract's shape, the same at every run
 * for the same moment: two gateways, eight nodes of the growers, two strangers, one outage.
 */

import type {
  AirView,
  CapturesView,
  FrameView,
  GatewayRow,
  MarksView,
  NodePage,
  NodeRow,
  NodesView,
  ReceptionPage,
  ReceptionRow,
  Refusal,
  RefusalSample,
  ServiceStatus,
  SiteView,
} from "../../src/contract/index.ts";
import { airParts, noiseSource, noiseTrend } from "./orchard-air.ts";
import { gatewayDownlinks, nodeAnswers } from "./orchard-downlinks.ts";
import { encryptedFrame, provedFrame } from "./orchard-frame.ts";
import { linksOf } from "./orchard-links.ts";
import { storyOf } from "./orchard-story.ts";

export const SHED = "02005E1000000001";
export const TOWER = "02005E1000000002";
const NAMES: Record<string, string> = { [SHED]: "Packing shed", [TOWER]: "Water tower" };

export interface Span {
  readonly fromMs: number;
  readonly toMs: number;
  readonly live: boolean;
}

const iso = (ms: number) => new Date(ms).toISOString();

/** A number 0…1 that depends on its seeds alone (a multiplicative hash). */
function chance(...seeds: number[]): number {
  let state = 2166136261;
  for (const seed of seeds) state = Math.imul(state ^ (seed | 0), 16777619) ^ (state >>> 13);
  state = Math.imul(state ^ (state >>> 15), 0x2c1b3c6d);
  return ((state ^ (state >>> 12)) >>> 0) / 2 ** 32;
}

interface Plan {
  readonly devAddr: string;
  readonly name: string | null;
  readonly stranger: boolean;
  readonly loss: number;
  readonly snr: number;
  readonly sf: number;
  readonly rhythm: number;
}

export const PLANS: readonly Plan[] = [
  {
    devAddr: "01A2B3C4",
    name: "Frost probe row 12",
    stranger: false,
    loss: 0.14,
    snr: -8.4,
    sf: 10,
    rhythm: 300,
  },
  { devAddr: "01A2B3D0", name: "Pond pump", stranger: false, loss: 0.06, snr: -3.1, sf: 9, rhythm: 600 },
  {
    devAddr: "01A2B3C5",
    name: "Frost probe row 3",
    stranger: false,
    loss: 0.004,
    snr: 4.2,
    sf: 7,
    rhythm: 300,
  },
  {
    devAddr: "01A2B3C6",
    name: "Soil probe row 7",
    stranger: false,
    loss: 0.01,
    snr: 1.5,
    sf: 7,
    rhythm: 900,
  },
  { devAddr: "01A2B3C7", name: "Cold store 1 door", stranger: false, loss: 0, snr: 8.8, sf: 7, rhythm: 1800 },
  {
    devAddr: "01A2B3C8",
    name: "Cold store 2 door",
    stranger: false,
    loss: 0.002,
    snr: 7.1,
    sf: 7,
    rhythm: 1800,
  },
  {
    devAddr: "01A2B3C9",
    name: "Tractor tracker",
    stranger: false,
    loss: 0.03,
    snr: -1.2,
    sf: 8,
    rhythm: 120,
  },
  { devAddr: "01A2B3CA", name: null, stranger: false, loss: 0.02, snr: 0.4, sf: 7, rhythm: 600 },
  { devAddr: "03F00A01", name: null, stranger: true, loss: 0.2, snr: -11, sf: 11, rhythm: 900 },
  { devAddr: "02C40B17", name: null, stranger: true, loss: 0.3, snr: -14, sf: 12, rhythm: 3600 },
];

function network(plan: Plan): string {
  return plan.stranger
    ? plan.devAddr.startsWith("03")
      ? "private network 01"
      : "private network 02"
    : "private network 00";
}

export function nodeRow(plan: Plan, span: Span, name: string | null = plan.name): NodeRow {
  const expected = Math.max(1, Math.floor((span.toMs - span.fromMs) / 1000 / plan.rhythm));
  const missed = Math.ceil(expected * plan.loss);
  const heard = expected - missed;
  const floor = -2.5 * (plan.sf - 4);
  const spread = (median: number, reach: number) => ({
    median,
    p10: median - reach,
    p90: median + reach,
    count: heard,
  });
  const ratio = heard / expected;
  const half = Math.min(0.2, 1 / Math.sqrt(expected + 4));
  const standing = plan.loss > 0.1 ? "bad" : plan.loss > 0.05 ? "look" : "good";
  const bins = Array.from({ length: 60 }, (_, at) => at);
  return {
    devAddr: plan.devAddr,
    life: 1,
    name,
    network: network(plan),
    stranger: plan.stranger,
    heard,
    expected,
    missed,
    missedDuringOutage: Math.floor(missed / 3),
    missedNotRecorded: 0,
    deliveryRatio: expected < 2 ? null : ratio,
    deliveryInterval95: expected < 2 ? null : [Math.max(0, ratio - half), Math.min(1, ratio + half / 3)],
    frames: heard + 1,
    receptions: heard * 2 + 1,
    repeats: 1,
    rssiDbm: spread(-97 + plan.snr, 6),
    snrDb: spread(plan.snr, 2.4),
    marginDb: spread(plan.snr - floor, 2.4),
    snrTrend: {
      slopePerDay: -0.5,
      change: plan.loss > 0.1 ? -3.1 : 0.2,
      p: plan.loss > 0.1 ? 0.002 : 0.6,
      significant: plan.loss > 0.1,
      words: plan.loss > 0.1 ? "fell by 3.1 dB over the window (p 0.002)" : "no trend: p 0.60",
    },
    rhythmSeconds: plan.rhythm,
    airtimeSeconds: heard * 0.2,
    dataRates: [{ name: `SF${plan.sf}BW125`, frames: heard }],
    gateways: [SHED, TOWER],
    firstHeard: iso(span.fromMs + 4000),
    lastHeard: iso(span.toMs - plan.rhythm * 400),
    overdue: false,
    standing,
    clause: standing === "good" ? "in its rhythm" : `lost ${missed} of ${expected} counters`,
    strip: {
      binSeconds: (span.toMs - span.fromMs) / 60_000,
      heard: bins.map((at) => (chance(at, plan.rhythm) > plan.loss ? Math.ceil(chance(at, 5) * 3) : 0)),
      missed: bins.map((at) => (chance(at, plan.rhythm) > plan.loss ? 0 : 1 + (at % 2))),
      missedNotRecorded: bins.map(() => 0),
      missedDuringOutage: bins.map((at) =>
        at > 40 && at < 44 && chance(at, plan.rhythm) <= plan.loss ? 1 + (at % 2) : 0,
      ),
    },
  };
}

function gatewayRow(eui: string, span: Span): GatewayRow {
  const cells = 120;
  const cellMs = (span.toMs - span.fromMs) / cells;
  const shed = eui === SHED;
  const out = (at: number) => shed && at >= 70 && at < 84;
  const column = (value: (at: number) => number) =>
    Array.from({ length: cells }, (_, at) => (out(at) ? 0 : value(at)));
  return {
    eui,
    name: NAMES[eui] ?? null,
    receptions: 1240,
    crcBad: 61,
    crcNone: 0,
    datagrams: 1900,
    rejected: shed ? { "body-not-json": 3 } : {},
    odd: shed ? { "time-unreadable": 41 } : {},
    keepaliveSeconds: 10,
    firstHeard: iso(span.fromMs),
    lastHeard: iso(span.toMs - 3000),
    protocolVersions: [2],
    region: shed
      ? {
          name: "EU868",
          confidence: 0.98,
          subBand: null,
          alternatives: [],
          contradictions: [],
          reason: "EU863-870, from 1240 receptions.",
        }
      : {
          name: "US915",
          confidence: 0.61,
          subBand: 2,
          alternatives: [{ name: "AU915", confidence: 0.39 }],
          contradictions: ["917.3\u202FMHz lies outside the uplink channels of US915."],
          reason: "US902-928, sub-band 2, from 1240 receptions.",
        },
    clockDriftPpm: shed ? 1.8 : null,
    clockDriftInterval95: shed ? [1.5, 2.1] : null,
    restarts: shed ? 1 : 0,
    restartTimes: shed ? [iso(span.fromMs + 84 * cellMs)] : [],
    outagesKnown: true,
    notRecorded: [],
    events: [],
    outages: shed ? [{ from: iso(span.fromMs + 70 * cellMs), to: iso(span.fromMs + 84 * cellMs) }] : [],
    pullSource: shed ? "192.0.2.10 40212" : "192.0.2.11 40212",
    ackPercent: 99.4,
    temperatureC: 31,
    downlinks: shed ? gatewayDownlinks() : null,
    standing: shed ? "look" : "good",
    clause: shed ? "unreachable once, for 7 minutes" : "keeps its keepalives",
    heartbeat: {
      cellSeconds: Math.max(1, Math.round(cellMs / 1000)),
      from: iso(span.fromMs),
      datagrams: column((at) => 6 + (at % 3)),
      keepalives: column(() => 3),
      keepalivesExpected: 3,
      statusReports: column((at) => (at % 2 === 0 ? 1 : 0)),
      receptions: column((at) => Math.round(chance(at, shed ? 1 : 2) * (shed ? 14 : 9))),
      crcBad: column((at) => (chance(at, 9) > 0.75 ? 1 : 0)),
    },
  };
}

function windowOf(span: Span) {
  return { from: iso(span.fromMs), to: iso(span.toMs), live: span.live };
}

export function nodesView(span: Span, names: ReadonlyMap<string, string | null> = new Map()): NodesView {
  const nodes = PLANS.map((plan) =>
    nodeRow(plan, span, names.has(plan.devAddr) ? (names.get(plan.devAddr) ?? null) : plan.name),
  );
  return {
    window: windowOf(span),
    sentence: [
      { text: "2 of 8 nodes", href: "/nodes?q=look" },
      { text: " lost more than 5\u202F% in this window; the worst is " },
      { text: nodes[0]!.name ?? nodes[0]!.devAddr, href: `/nodes/${nodes[0]!.devAddr}/1` },
      { text: "." },
    ],
    homeNetworks: ["private network 00"],
    homeAssumed: true,
    nodes,
    moreNodes: 0,
  };
}

export function siteView(span: Span, names: ReadonlyMap<string, string | null> = new Map()): SiteView {
  const nodes = nodesView(span, names).nodes;
  return {
    window: windowOf(span),
    siteName: "Fennick Orchard",
    empty: false,
    sentence: [
      { text: "2 of 8 nodes", href: "/nodes" },
      {
        text: " lost more than 5\u202F% in this window; the Packing shed gateway was unreachable for 7 minutes.",
      },
    ],
    gateways: [gatewayRow(SHED, span), gatewayRow(TOWER, span)],
    moreGateways: 0,
    attention: nodes
      .filter((row) => row.standing !== "good" && !row.stranger)
      .map((row) => ({ ...row, why: { cause: "weak-link", words: "mostly weak link (likely)" } })),
    sentences: ["2 of 8 nodes lost more than 5\u202F% in this window."],
    standing: [],
    events: [
      {
        from: iso(span.fromMs + 0.4 * (span.toMs - span.fromMs)),
        to: iso(span.fromMs + 0.5 * (span.toMs - span.fromMs)),
        open: false,
        cause: "gateway-unreachable",
        word: "certain",
        nodes: 3,
        gaps: 3,
        missedCounters: 6,
        devAddr: null,
        gateway: SHED,
        sentence: "3 nodes of Packing shed missed 6 counters together: gateway unreachable.",
      },
    ],
    recorded: [{ from: iso(span.fromMs), to: iso(span.toMs) }],
    eventsCut: false,
    toDo: ["Packing shed: check its power and its network line."],
    findings: [
      {
        id: "outage-1",
        at: iso(span.fromMs + 0.4 * (span.toMs - span.fromMs)),
        open: false,
        who: "Packing shed",
        cause: "gateway-unreachable",
        words: "gateway unreachable (certain)",
        sentence: "3 nodes of Packing shed missed 6 counters together: gateway unreachable.",
        mark: null,
      },
    ],
    nodeCount: 8,
    strangerCount: 2,
    air: [
      {
        gatewayEui: SHED,
        gatewayName: "Packing shed",
        words: "8 channels, busiest 868.1\u202FMHz with 3.2\u202F% in use",
        busiestFrequencyHz: 868_100_000,
        busiestUtilisation: 0.032,
      },
      {
        gatewayEui: TOWER,
        gatewayName: "Water tower",
        words: "8 channels, busiest 868.5\u202FMHz with 2.1\u202F% in use",
        busiestFrequencyHz: 868_500_000,
        busiestUtilisation: 0.021,
      },
    ],
    score: scoreOf(span, nodes),
  };
}

/** One channel loud at the shed for a while, and margins that fall with it. */
function scoreOf(span: Span, nodes: readonly NodeRow[]): SiteView["score"] {
  const seconds = (span.toMs - span.fromMs) / 1000;
  const at = (share: number) => iso(span.fromMs + share * (span.toMs - span.fromMs));
  const isLoud = (bin: number) => bin >= 40 && bin < 60;
  return {
    noise: [
      {
        gatewayEui: SHED,
        gatewayName: NAMES[SHED] ?? null,
        frequencyHz: 868_300_000,
        fromMs: span.fromMs,
        binSeconds: seconds / 96,
        dbm: Array.from({ length: 96 }, (_, bin) =>
          bin % 11 === 5 ? null : (isLoud(bin) ? -102 : -117) + Math.round(chance(bin, 7) * 2),
        ),
        loud: { from: at(40 / 96), to: at(60 / 96), beginSeen: true, endSeen: true, riseDb: 15.1 },
      },
    ],
    margins: nodes
      .filter((row) => row.standing !== "good" && !row.stranger)
      .map(({ devAddr, life, marginDb }) => ({
        devAddr,
        life,
        fromMs: span.fromMs,
        binSeconds: seconds / 240,
        marginDb: Array.from({ length: 240 }, (_, bin) =>
          chance(bin, life, 3) > 0.6
            ? null
            : (marginDb.median ?? 0) + Math.round(chance(bin, 9) * 40) / 10 - (isLoud(bin * 0.4) ? 6 : 0),
        ),
      })),
  };
}

/** The page of a node; `points` a gateway (spread evenly) to try a drawing with many. */
export function nodePage(
  devAddr: string,
  span: Span,
  points: number | null = null,
  name?: string | null,
  said: boolean | null = null,
): NodePage {
  const plan = PLANS.find((one) => one.devAddr === devAddr) ?? PLANS[0]!;
  const row = nodeRow(plan, span, name === undefined ? plan.name : name);
  const count = points ?? row.expected;
  const step = (span.toMs - span.fromMs) / Math.max(1, count);
  const floor = -2.5 * (plan.sf - 4);
  const series = [SHED, TOWER].map((eui, gateway) => {
    const atMs = Array.from({ length: count }, (_, at) => Math.round(span.fromMs + (at + 0.5) * step));
    const snrDb = atMs.map((_, at) =>
      chance(at, plan.rhythm) < plan.loss || (gateway === 0 && at > count * 0.58 && at < count * 0.7)
        ? null
        : Math.round((plan.snr - gateway * 2 + Math.sin(at / 9) * 1.5 + chance(at, gateway) * 3) * 10) / 10,
    );
    return {
      gatewayEui: eui,
      gatewayName: NAMES[eui] ?? null,
      atMs,
      snrDb,
      rssiDbm: snrDb.map((snr) => (snr === null ? null : Math.round(-104 + snr))),
      spreadingFactor: snrDb.map((snr) => (snr === null ? null : plan.sf)),
      marginDb: snrDb.map((snr) => (snr === null ? null : snr - floor)),
      receptions: snrDb.map(() => 1),
    };
  });
  const ticks = Array.from({ length: Math.min(2000, row.expected) }, (_, at) => {
    const draw = chance(at, plan.rhythm);
    const fate =
      draw < plan.loss / 3
        ? "missed-during-outage"
        : draw < plan.loss
          ? "missed"
          : draw > 0.8
            ? "heard-by-some"
            : "heard";
    return {
      counter: 1800 + at,
      atMs: span.fromMs + (at + 0.5) * plan.rhythm * 1000,
      fate: fate as NodePage["ticks"][number]["fate"],
      repeats: at === 3 ? 1 : 0,
      frameId: fate.startsWith("heard") ? 7000 + at : null,
    };
  });
  return {
    window: windowOf(span),
    sentence: [
      { text: `${row.name ?? row.devAddr} delivered ` },
      { text: `${row.heard} of ${row.expected} counters`, href: `/nodes/${row.devAddr}/1` },
      { text: "; its margin in the median is 6.6\u202FdB." },
    ],
    row,
    answers: nodeAnswers(span.toMs),
    ticks,
    ticksCut: row.expected > 2000,
    series,
    gateways: series.map((one, at) => ({
      gatewayEui: one.gatewayEui,
      gatewayName: one.gatewayName,
      heard: row.heard - at,
      deliveryRatio: row.deliveryRatio,
      deliveryInterval95: row.deliveryInterval95,
      rssiDbm: row.rssiDbm,
      snrDb: row.snrDb,
      marginDb: row.marginDb,
    })),
    links: linksOf(series, row, span, plan.sf),
    ownSaid: said,
    ...storyOf({
      devAddr: row.devAddr,
      fromMs: span.fromMs,
      toMs: span.toMs,
      heard: row.heard,
      expected: row.expected,
    }),
    gaps:
      row.missed === 0
        ? []
        : [
            {
              from: iso(span.fromMs + 900_000),
              to: iso(span.fromMs + 1_800_000),
              firstCounter: 1803,
              missed: 2,
              missedDuringOutage: 1,
              missedNotRecorded: 0,
            },
            {
              from: iso(span.fromMs + 2_400_000),
              to: iso(span.fromMs + 3_000_000),
              firstCounter: 1808,
              missed: 1,
              missedDuringOutage: 0,
              missedNotRecorded: 0,
            },
          ],
  };
}

function receptionRow(devAddr: string, span: Span, id: number): ReceptionRow {
  const plan = PLANS.find((one) => one.devAddr === devAddr) ?? PLANS[0]!;
  const eui = id % 2 === 0 ? SHED : TOWER;
  return {
    id,
    frameId: 7000 + Math.floor(id / 2),
    at: iso(span.toMs - id * 1000 * (plan.rhythm / 2)),
    gatewayEui: eui,
    gatewayName: NAMES[eui] ?? null,
    antenna: 0,
    devAddr,
    nodeName: plan.name,
    life: 1,
    messageType: "UnconfirmedDataUp",
    counter: 1900 - Math.floor(id / 2),
    port: 2,
    repeat: id === 6,
    ghost: false,
    crc: "ok",
    frequencyHz: [868_100_000, 868_300_000, 868_500_000][id % 3]!,
    dataRate: `SF${plan.sf}BW125`,
    codingRate: "4/5",
    rssiDbm: -104 + Math.round(plan.snr),
    signalRssiDbm: null,
    snrDb: plan.snr,
    marginDb: plan.snr + 2.5 * (plan.sf - 4),
    frequencyOffsetHz: null,
    airtimeMs: 288.8,
    airtimeNotKnown: null,
    size: 23,
  };
}

export function receptionPage(
  devAddr: string,
  span: Span,
  before: string | null,
  limit: number,
): ReceptionPage {
  const total = 120;
  const start = before === null ? 1 : Number(before);
  const end = Math.min(total + 1, start + limit);
  const receptions = Array.from({ length: end - start }, (_, at) => receptionRow(devAddr, span, start + at));
  return { receptions, next: end > total ? null : String(end) };
}

export function frameView(id: number, span: Span): FrameView {
  return {
    // Even numbers are frames whose keys are at hand.
    ...(id % 2 === 0 ? provedFrame : encryptedFrame),
    id,
    at: iso(span.toMs - 60_000),
    receptions: [1, 2].map((one) => receptionRow("01A2B3C4", span, one)),
  };
}

export function airView(span: Span): AirView {
  const frequencies = [867.1, 867.3, 867.5, 867.7, 867.9, 868.1, 868.3, 868.5].map((mhz) =>
    Math.round(mhz * 1e6),
  );
  const seconds = (span.toMs - span.fromMs) / 1000;
  const columns = 60;
  const grid = (of: (row: number, at: number) => number) =>
    frequencies.map((_, row) => Array.from({ length: columns }, (_, at) => of(row, at)));
  const share = (row: number, at: number, seed: number) => {
    const draw = chance(row, at, seed);
    return draw < 0.25 ? 0 : Math.round(draw ** 4 * (row + 1) * 0.02 * 1e5) / 1e5;
  };
  return {
    window: windowOf(span),
    moreGateways: 0,
    sentence: [
      { text: "The busiest channel was " },
      { text: "868.5\u202FMHz", href: "/air" },
      { text: ", in use 3.2\u202F% of the time; strangers made a fifth of the airtime." },
    ],
    noiseSources: [noiseSource(span.fromMs, span.toMs)],
    channels: [SHED, TOWER].flatMap((eui) =>
      frequencies.map((frequencyHz, at) => ({
        gatewayEui: eui,
        gatewayName: NAMES[eui] ?? null,
        frequencyHz,
        receptions: 90 + at * 17,
        airtimeSeconds: seconds * 0.004 * (at + 1),
        busySeconds: seconds * 0.0039 * (at + 1),
        offeredLoad: 0.004 * (at + 1),
        utilisation: 0.0039 * (at + 1),
        crcBad: at * 2,
        crcBadRatio: (at * 2) / (90 + at * 17),
        noiseFloorDbm: at < 2 ? null : -119 + at * 0.5,
        noiseSamples: at < 2 ? 3 : 40 + at,
        noiseTrust: at < 2 ? "none" : at < 4 ? "rough" : "good",
        noiseTrend: noiseTrend(at),
        ownAirtimeSeconds: seconds * 0.0031 * (at + 1),
        collisions: { aloha: 0.008 * (at + 1), captureTheory: 0.006 * (at + 1), captureMeasured: null },
        strangerAirtimeSeconds: seconds * 0.0008 * (at + 1),
        strangerReceptions: at,
      })),
    ),
    maps: [SHED, TOWER].map((eui, gateway) => ({
      gatewayEui: eui,
      gatewayName: NAMES[eui] ?? null,
      from: iso(span.fromMs),
      cellSeconds: Math.max(1, Math.round(seconds / columns)),
      notRecorded: [],
      lastCellSeconds: Math.max(1, Math.round(seconds / columns)),
      frequenciesHz: frequencies,
      offeredLoad: grid((row, at) => share(row, at, gateway) * 1.1),
      ownLoad: grid((row, at) => share(row, at, gateway) * (at % 3 === 0 ? 0.3 : 0.9)),
      strangerLoad: grid((row, at) => share(row, at, gateway) * (at % 3 === 0 ? 0.7 : 0.1)),
      noise: {
        from: iso(span.fromMs),
        stretchSeconds: seconds / 24,
        dbm: frequencies.map((_, row) =>
          Array.from({ length: 24 }, (_, at) =>
            row < 2 ? null : -118 + (row === 6 && at > 12 ? 9 : row / 4),
          ),
        ),
      },
      utilisation: frequencies.map((_, row) =>
        Array.from({ length: columns }, (_, at) => share(row, at, gateway)),
      ),
      crcBadRatio: frequencies.map((_, row) =>
        Array.from({ length: columns }, (_, at) =>
          share(row, at, gateway) === 0 ? null : chance(row, at, 77) * 0.34,
        ),
      ),
    })),
    dataRates: [7, 8, 9, 10, 11, 12].map((sf) => ({
      name: `SF${sf}BW125`,
      receptions: 600 >> (sf - 7),
      frames: 350 >> (sf - 7),
      airtimeSeconds: 40 + sf * 5,
    })),
    ...airParts(
      iso(span.fromMs),
      iso(span.toMs),
      frequencies,
      [SHED, TOWER].map((eui) => ({ eui, name: NAMES[eui] ?? eui })),
    ),
    talkers: PLANS.map((plan) => ({
      devAddr: plan.devAddr,
      name: plan.name,
      network: network(plan),
      stranger: plan.stranger,
      frames: Math.floor(seconds / plan.rhythm),
      airtimeSeconds: (seconds / plan.rhythm) * 0.2,
      share: 1 / PLANS.length,
      busiestHourDuty: 720 / plan.rhythm / 3600,
    })),
    caution:
      "Airtime heard is a lower bound. Limits are those of ETSI EN 300 220-2; the local regulator's text prevails.",
  };
}

export function capturesView(nowMs: number): CapturesView {
  const from = Date.parse("2026-03-14T08:00:00Z");
  const base = { size: 1_830_224, from: iso(from), to: iso(from + 7_200_000), trouble: null };
  return {
    captures: [
      {
        ...base,
        id: 3,
        name: "tower-afternoon.pcapng",
        from: iso(nowMs - 900_000),
        to: iso(nowMs - 600_000),
        state: "reading",
        progress: 0.42,
        startedAt: iso(nowMs - 8000),
        finishedAt: null,
        datagrams: 2100,
        receptions: 1900,
        knownAlready: 0,
        refused: 0,
        answers: 0,
      },
      {
        ...base,
        id: 2,
        name: "shed-morning.pcap.gz",
        state: "done",
        progress: null,
        startedAt: iso(nowMs - 3_600_000),
        finishedAt: iso(nowMs - 3_590_000),
        datagrams: 4120,
        receptions: 3877,
        knownAlready: 12,
        refused: 3,
        answers: 12,
      },
      {
        ...base,
        id: 1,
        name: "notes.txt",
        size: 812,
        state: "failed",
        progress: null,
        startedAt: iso(nowMs - 7_200_000),
        finishedAt: iso(nowMs - 7_200_000),
        from: null,
        to: null,
        datagrams: 0,
        receptions: 0,
        knownAlready: 0,
        refused: 0,
        answers: 0,
        trouble: "This is no packet capture and holds no recorded datagrams.",
      },
    ],
    samples: [
      {
        file: "orchard-morning.pcapng.gz",
        title: "A frosty morning at Fennick Orchard",
        sentence: "Two gateways, eight nodes, one outage of the packing shed.",
        from: iso(from),
        to: iso(from + 7_200_000),
      },
    ],
  };
}

export function refusals(nowMs: number): { refusals: Refusal[]; samples: RefusalSample[] } {
  return {
    refusals: [
      {
        reason: "body-not-json",
        refused: true,
        count: 3,
        firstAt: iso(nowMs - 900_000),
        lastAt: iso(nowMs - 60_000),
        words: "The datagram's body was not JSON.",
      },
      {
        reason: "time-unreadable",
        refused: false,
        count: 41,
        firstAt: iso(nowMs - 900_000),
        lastAt: iso(nowMs - 5000),
        words: "A gateway's time could not be read; the capture time was used.",
      },
    ],
    samples: [
      {
        reason: "body-not-json",
        at: iso(nowMs - 60_000),
        source: "192.0.2.10:41022",
        sentence: "body: at octet 12: unexpected end (body-not-json)",
        size: 31,
        hex: "02A1B20002005E10000000017B2272786B706B223A5B7B22746D7374223A31",
      },
    ],
  };
}

export function serviceStatus(nowMs: number, part: Partial<ServiceStatus> = {}): ServiceStatus {
  return {
    notices: [],
    version: "0.1.0",
    apiVersion: "1.0",
    siteName: "Fennick Orchard",
    startedAt: iso(nowMs - 7_200_000),
    now: iso(nowMs),
    udp: [{ address: "0.0.0.0", port: 1700 }],
    addresses: ["192.0.2.20", "2001:db8::20"],
    arrived: { datagrams: 3800, lastAt: iso(nowMs - 2000), lastFrom: "192.0.2.10:41022" },
    acknowledged: { afterCommit: 3800, beforeStored: 0, waiting: 0, dropped: 0 },
    lost: {
      inKernel: 0,
      dropped: 0,
      bySource: [],
      receiveBuffer: { askedBytes: 8_388_608, grantedBytes: 8_388_608 },
      words: "",
    },
    storage: {
      state: "well",
      words: "Every commit took less than 3\u202Fms.",
      check: { state: "sound", words: "Checked at the start: no damage." },
      space: { state: "enough", freeBytes: 41_000_000_000, lastsSeconds: null, words: "" },
      bytes: 18_400_000,
      receptions: 84_210,
      from: iso(nowMs - 5 * 86_400_000),
      to: iso(nowMs - 2000),
      recentFrom: iso(nowMs - 3_540_000),
    },
    refusals: refusals(nowMs).refusals,
    passage: null,
    ...part,
  };
}

/** Two notes of the growers within the window: one about the water tower's gateway, one about the site. */
export function marksView(span: Span): MarksView {
  const at = (share: number) => iso(Math.round(span.fromMs + (span.toMs - span.fromMs) * share));
  const site = { gatewayEui: null, gatewayName: null, devAddr: null, nodeName: null, position: null };
  return {
    window: { from: iso(span.fromMs), to: iso(span.toMs), live: span.live },
    marks: [
      { ...site, id: 2, at: at(0.7), until: null, kind: "note", text: "Cut the hedge by row 12" },
      {
        ...site,
        id: 1,
        at: at(0.3),
        until: null,
        kind: "note",
        text: "Turned the tower antenna",
        gatewayEui: TOWER,
        gatewayName: "Water tower",
      },
    ],
    cut: false,
  };
}
