/** What is known of a gateway with which all is well: a test changes what it is about. */
import type { BenchItem } from "../../../src/contract/index.ts";
import { type BenchEvidence, judgeBench } from "../../../src/diagnosis/bench/judge.ts";

const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000];

export const SOUND: BenchEvidence = {
  eui: "02005E1000000001",
  keepalives: {
    count: 60,
    intervalSeconds: 10.1,
    sinceNewestSeconds: 4,
    lost: 0,
    silences: 0,
    outageSeconds: 30,
    followedSeconds: 600,
    others: 80,
    lastHeardSeconds: 3,
    recordedSeconds: 600,
  },
  status: {
    count: 20,
    intervalSeconds: 30,
    sinceNewestSeconds: 12,
    followedSeconds: 600,
    sinceAnythingSeconds: 3,
    odd: 0,
    missing: 0,
  },
  protocol: { versions: [2], foreignVersion: 0 },
  oneGateway: { readings: 80, returns: 0, lines: 1, seconds: 600 },
  gatewayClock: {
    offsetsUs: [-300_000, -500_000, -700_000],
    newestAtUs: Date.UTC(2026, 2, 14, 9) * 1000,
  },
  drift: { ppm: 1.2, lowPpm: 0.9, highPpm: 1.5, against: "arrival", readings: 900, spanSeconds: 3600 },
  standstill: null,
  packetTime: {
    packets: 110,
    dated: Array.from({ length: 40 }, (_, i) => ({
      tmstUs: 5_000_000 + i * 1_000_000,
      atUs: Date.UTC(2026, 2, 14, 9) * 1000 + i * 1_000_000,
      timeOffsetUs: -20_000 - (i % 3) * 1_000,
    })),
  },
  restarts: { readings: 80, restarts: [], windowSeconds: 3600, isTwoBoards: false },
  acknowledged: { ackPercents: [0, 100, 100, 100], trip: null, nothingLost: true },
  radio: {
    packets: 120,
    byReports: true,
    quietSeconds: 5,
    heardSeconds: 595,
    nodes: 12,
    heardByOthers: null,
    expectedPlan: null,
  },
  dataRates: {
    heard: [
      { dataRate: "SF7BW125", count: 70 },
      { dataRate: "SF9BW125", count: 40 },
    ],
    channels: 3,
    nodes: 12,
    seconds: 600,
  },
  overheard: { packets: 110, downlinks: 0, withCrc: 0 },
  counts: { reports: 20, received: 120, crcOk: 110, forwarded: 110, seconds: 600 },
  arrived: { runs: [{ intervals: 19, forwarded: 105, arrived: 105 }], uncompared: 0 },
  crc: { received: 120, crcOk: 110, arrived: 110, arrivedBad: 0 },
  region: {
    verdict: "recognised",
    name: "EU868",
    confidence: 0.999,
    subBand: null,
    contradictions: [],
    reason: "EU863-870, from 110 receptions.",
    packets: 110,
    heardSubBands: [],
    heardChannels: 3,
    wantedElsewhere: null,
    againstSubBand: [],
    expected: null,
    seconds: 600,
  },
  channels: {
    heard: CHANNELS_HZ.map((frequencyHz) => ({ frequencyHz, count: 30 })),
    expectedHz: CHANNELS_HZ,
    elsewhere: CHANNELS_HZ.map((frequencyHz) => ({ frequencyHz, count: 30 })),
    plan: "EU863-870",
    noise: [],
    seconds: 600,
  },
  levels: {
    packets: Array.from({ length: 40 }, (_, i) => ({ rssiDbm: -90 - (i % 7), snrDb: 4 + (i % 5) })),
    ghosts: 0,
    all: 120,
  },
  noise: CHANNELS_HZ.map((frequencyHz, i) => ({
    frequencyHz,
    bandwidthHz: 125_000,
    floor: { noiseDbm: -114 - i, median: -112, sampleCount: 40, trust: "good", reason: null },
  })),
  order: { datagrams: 140, duplicates: 0, reordered: 0 },
  refused: { datagrams: 140, refused: [] },
  roundTrip: { pairsMs: [12, 14, 13], trip: null, ackPercent: 100 },
  downlinks: { accepted: 12, refused: [], asked: 12, emitted: 12, refusedHere: [], test: null },
  since: {},
};

type Part = keyof BenchEvidence;
export type Change = {
  [P in Part]?: BenchEvidence[P] extends object | null ? Partial<BenchEvidence[P]> : BenchEvidence[P];
};

/** The sound gateway with other figures in some parts. */
export function changed(change: Change): BenchEvidence {
  const entries = Object.entries(change).map(([part, figures]) => {
    const before: unknown = SOUND[part as Part];
    const isRecord = typeof figures === "object" && figures !== null && !Array.isArray(figures);
    return [part, isRecord && before !== null ? { ...(before as object), ...figures } : figures];
  });
  return { ...SOUND, ...(Object.fromEntries(entries) as Partial<BenchEvidence>) };
}

/** The item of that id. */
export function judged(id: string, evidence: BenchEvidence): BenchItem {
  const item = judgeBench(evidence).find((one) => one.id === id);
  if (item === undefined) throw new Error(`no item ${id}`);
  return item;
}
