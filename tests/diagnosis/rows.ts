/** Rows of answers with figures of one's choice, for the tests of what is said about them. */
import type { ChannelRow, GatewayRow, NodeRow } from "../../src/contract/index.ts";

const NO_SPREAD = { median: null, p10: null, p90: null, count: 0 };

/** Everything heard, nothing missed. */
export function node(devAddr: string, more: Partial<NodeRow> = {}): NodeRow {
  const expected = more.expected ?? 20;
  const missed = more.missed ?? 0;
  return {
    devAddr,
    life: 1,
    name: null,
    network: "private",
    stranger: false,
    heard: expected - missed,
    expected,
    missed,
    missedDuringOutage: 0,
    missedNotRecorded: 0,
    deliveryRatio: expected < 2 ? null : (expected - missed) / expected,
    deliveryInterval95: expected < 2 ? null : [0.8, 1],
    frames: expected - missed,
    receptions: expected - missed,
    repeats: 0,
    rssiDbm: NO_SPREAD,
    snrDb: NO_SPREAD,
    marginDb: NO_SPREAD,
    snrTrend: { slopePerDay: null, change: null, p: null, significant: false, words: "" },
    rhythmSeconds: 60,
    airtimeSeconds: 1,
    dataRates: [],
    gateways: [],
    firstHeard: "2026-03-14T09:00:00.000Z",
    lastHeard: "2026-03-14T09:20:00.000Z",
    overdue: false,
    standing: "good",
    clause: "",
    strip: { binSeconds: 60, heard: [], missed: [], missedDuringOutage: [], missedNotRecorded: [] },
    ...more,
  };
}

/** Reachable, with keepalives. */
export function gateway(eui: string, more: Partial<GatewayRow> = {}): GatewayRow {
  return {
    eui,
    name: null,
    receptions: 10,
    crcBad: 0,
    crcNone: 0,
    datagrams: 100,
    rejected: {},
    odd: {},
    keepaliveSeconds: 10,
    firstHeard: "2026-03-14T09:00:00.000Z",
    lastHeard: "2026-03-14T10:00:00.000Z",
    protocolVersions: [2],
    region: { name: null, confidence: 0, subBand: null, alternatives: [], contradictions: [], reason: "" },
    clockDriftPpm: null,
    clockDriftInterval95: null,
    restarts: 0,
    restartTimes: [],
    outages: [],
    events: [],
    outagesKnown: true,
    notRecorded: [],
    pullSource: null,
    ackPercent: null,
    temperatureC: null,
    downlinks: null,
    standing: "good",
    clause: "",
    heartbeat: {
      cellSeconds: 60,
      from: "2026-03-14T09:00:00.000Z",
      datagrams: [],
      keepalives: [],
      keepalivesExpected: 6,
      statusReports: [],
      receptions: [],
      crcBad: [],
    },
    ...more,
  };
}

export function channel(gatewayEui: string, frequencyHz: number, more: Partial<ChannelRow> = {}): ChannelRow {
  return {
    gatewayEui,
    gatewayName: null,
    frequencyHz,
    receptions: 10,
    airtimeSeconds: 2,
    busySeconds: 2,
    offeredLoad: 0.02,
    utilisation: 0.02,
    crcBad: 0,
    crcBadRatio: 0,
    noiseFloorDbm: null,
    noiseSamples: 0,
    noiseTrust: "none",
    noiseTrend: {
      verdict: "not enough",
      words: "Not enough to say.",
      slopeDbPerHour: null,
      slopeInterval95: null,
      changeDb: null,
      loudestDb: null,
      p: null,
      values: 0,
      loud: null,
    },
    ownAirtimeSeconds: 2,
    collisions: null,
    strangerAirtimeSeconds: 0,
    strangerReceptions: 0,
    ...more,
  };
}
