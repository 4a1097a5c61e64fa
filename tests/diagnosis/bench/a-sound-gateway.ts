/** What is known of a gateway with which all is well: a test changes what it is about. */
import type { BenchEvidence } from "../../../src/diagnosis/bench/judge.ts";

const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000];

export const SOUND: BenchEvidence = {
  eui: "02005E1000000001",
  keepalives: {
    count: 60,
    intervalSeconds: 10.1,
    sinceNewestSeconds: 4,
    lost: 0,
    silences: 0,
    followedSeconds: 600,
    others: 80,
  },
  status: {
    count: 20,
    intervalSeconds: 30,
    sinceNewestSeconds: 12,
    followedSeconds: 600,
    sinceAnythingSeconds: 3,
    odd: 0,
  },
  protocol: { versions: [2], foreignVersion: 0 },
  oneGateway: { readings: 80, returns: 0, lines: 1 },
  gatewayClock: {
    offsetsUs: [-300_000, -500_000, -700_000],
    newestAtUs: Date.UTC(2026, 2, 14, 9) * 1000,
  },
  drift: { ppm: 1.2, lowPpm: 0.9, highPpm: 1.5, against: "arrival", readings: 900, spanSeconds: 3600 },
  restarts: { readings: 80, restarts: [], windowSeconds: 3600 },
  ackPercents: [0, 100, 100, 100],
  counts: { reports: 20, received: 120, crcOk: 110, forwarded: 110, seconds: 600 },
  intervals: [
    { forwarded: 5, arrived: 5 },
    { forwarded: 6, arrived: 5 },
    { forwarded: 4, arrived: 5 },
  ],
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
  },
  channels: {
    heard: CHANNELS_HZ.map((frequencyHz) => ({ frequencyHz, count: 30 })),
    expectedHz: CHANNELS_HZ,
    plan: "EU863-870",
    quietSeconds: 0,
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
  roundTrip: { pairsMs: [12, 14, 13], ackPercent: 100 },
  downlinks: { accepted: 12, refused: [], asked: 12, emitted: 12, test: null },
};
