/**
 * Which sites is the diagnosis judged on? Each is drawn at random by its seed: size, gateways, region, rhythms from one
 * minute to an hour, spreading factors, margins, fading, noise, clocks, network, and the rules of reception themselves.
 * Drawn wide on purpose, so that nothing can be fitted to one set of constants. Without a fault a site is sound: links
 * have margin for their fading, and the network loses next to nothing.
 */

import { readScenario, type Scenario } from "../../src/simulate/scenario.ts";
import { below, createRandom, normal, type Random } from "../../src/simulate/time-and-chance.ts";
import { type DrawnConditions, drawConditions } from "./draw-conditions.ts";
import { type DrawnFault, drawFault, type FaultCause } from "./draw-fault.ts";

export const STRENGTHS = ["mild", "middling", "strong"] as const;
export type Strength = (typeof STRENGTHS)[number];

/** One run of the evaluation. `cause` null: a site without any fault. */
export interface Case {
  readonly cause: FaultCause | null;
  readonly strength: Strength;
  readonly seed: number;
}

export interface DrawnSite {
  readonly scenario: Scenario;
  /** Whether the listener sees what the network asks of the gateways (PULL_RESP, TX_ACK). */
  readonly seesDownlinks: boolean;
  readonly conditions: DrawnConditions;
}

export const range = (random: Random, from: number, to: number): number =>
  from + (to - from) * random.uniform();
/** Between the two, every factor as likely as any other. */
export const logRange = (random: Random, from: number, to: number): number =>
  from * (to / from) ** random.uniform();
export const oneOf = <T>(random: Random, values: readonly T[]): T => {
  const value = values[below(random, values.length)];
  if (value === undefined) throw new Error("nothing to choose from");
  return value;
};

const raster = (firstHz: number, count: number, stepHz = 200_000): number[] =>
  Array.from({ length: count }, (_, index) => firstHz + index * stepHz);

/** A region, what its gateways listen to, and further channels that exist on the air. */
interface Band {
  readonly region: string;
  readonly heardHz: readonly number[];
  readonly otherHz: readonly number[];
  readonly factors: readonly number[];
}
const BANDS: readonly Band[] = [
  {
    region: "EU868",
    heardHz: [868_100_000, 868_300_000, 868_500_000, ...raster(867_100_000, 5)],
    otherHz: [868_800_000, 864_100_000, 864_300_000, 864_500_000, ...raster(865_100_000, 8)],
    factors: [7, 8, 9, 10, 11, 12],
  },
  {
    region: "EU868",
    heardHz: [868_100_000, 868_300_000, 868_500_000],
    otherHz: raster(867_100_000, 5),
    factors: [7, 8, 9, 10, 11, 12],
  },
  {
    region: "US915",
    heardHz: raster(903_900_000, 8),
    otherHz: raster(905_500_000, 48),
    factors: [7, 8, 9, 10],
  },
  {
    region: "AU915",
    heardHz: raster(916_800_000, 8),
    otherHz: raster(918_400_000, 40),
    factors: [7, 8, 9, 10, 11],
  },
  {
    region: "AS923-1",
    heardHz: raster(923_200_000, 8),
    otherHz: raster(921_400_000, 6),
    factors: [7, 8, 9, 10],
  },
  {
    region: "IN865",
    heardHz: [865_062_500, 865_402_500, 865_985_000, 866_185_000],
    otherHz: [866_385_000, 866_585_000, 866_785_000],
    factors: [7, 8, 9, 10, 11, 12],
  },
  {
    region: "KR920",
    heardHz: raster(922_100_000, 7),
    otherHz: [920_900_000, 921_100_000, 921_300_000],
    factors: [7, 8, 9, 10, 11],
  },
];

// SX1276 data sheet, Table 13.
const FLOOR_DB: Readonly<Record<number, number>> = { 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20 };
const PREFIX = "02005E10000000";

/** The site of a case, with its fault. Throws when a draw makes no valid scenario: that is a fault of the generator. */
export function drawSite({ cause, strength, seed }: Case): DrawnSite {
  const random = createRandom(seed, `evaluation ${cause ?? "healthy"} ${strength}`);
  // A crowd fills few channels with long frames sooner: the same load with fewer frames to play.
  const isCrowded = cause === "congestion";
  const band = oneOf(random, isCrowded ? BANDS.filter(({ heardHz }) => heardHz.length <= 4) : BANDS);
  const rhythmSeconds = isCrowded ? logRange(random, 60, 150) : logRange(random, 60, 3600);
  const frames = range(random, 80, 130);
  const durationSeconds = Math.round(Math.min(2.5 * 86_400, Math.max(3 * 3600, frames * rhythmSeconds)));
  const gateways = drawGateways(random, cause, durationSeconds);
  const sound = drawNodes(
    random,
    isCrowded ? { ...band, factors: [8, 9, 10, 11, 12] } : band,
    gateways,
    rhythmSeconds,
  );
  const conditions = drawConditions({
    cause,
    random: random.fork("conditions"),
    durationSeconds,
    heardHz: band.heardHz,
    nodes: sound,
  });
  const nodes = sound.map((node, index) => changedNode(node, conditions.nodes.get(index) ?? {}));
  const fault: DrawnFault =
    cause === null
      ? { events: [] }
      : drawFault(cause, strength, {
          random: random.fork("fault"),
          durationSeconds,
          rhythmSeconds,
          heardHz: band.heardHz,
          otherHz: band.otherHz,
          gateways: gateways.map(({ eui }) => eui),
          nodes: nodes.map(({ name, marginDb, rhythmSeconds: own, spreadingFactor }) => ({
            name,
            marginDb,
            rhythmSeconds: own,
            spreadingFactor,
          })),
        });
  const read = readScenario(
    JSON.stringify({
      title: `${cause ?? "healthy"}, ${strength}, seed ${seed}`,
      site: "drawn",
      start: new Date(
        Date.UTC(2026, below(random, 12), 1 + below(random, 28), below(random, 24)),
      ).toISOString(),
      duration: durationSeconds,
      seed,
      region: band.region,
      channelsHz: [...band.heardHz, ...band.otherHz],
      network: {
        latencyMs: logRange(random, 3, 150),
        jitterMs: logRange(random, 1, 60),
        lossShare: random.uniform() < 0.5 ? 0 : range(random, 0, 0.001),
        duplicateShare: random.uniform() < 0.8 ? 0 : 0.01,
        reorderShare: random.uniform() < 0.8 ? 0 : 0.01,
      },
      physics: {
        kneeWidthDb: range(random, 0.3, 1.2),
        headerAdvantageDb: range(random, 0.3, 2.5),
        captureDb: range(random, 1, 6),
        capture: oneOf(random, ["power", "timed"] as const),
        snrCeilingDb: range(random, 8, 14),
        reportScatterDb: range(random, 0.2, 1.2),
      },
      ...(random.uniform() < 0.3 ? { server: { delayMs: range(random, 50, 400) } } : {}),
      gateways: gateways.map((gateway) => ({
        ...gateway,
        channelsHz: band.heardHz,
        channelNoiseDb: conditions.channelNoiseDb,
        ...(conditions.keepalives ? {} : { statSeconds: 3600 }),
      })),
      nodes: nodes.map(({ marginDb: _, ...node }) => node),
      events: [...fault.events, ...conditions.events],
    }),
  );
  if (!read.ok) throw new Error(`seed ${seed}: ${read.sentence}`);
  return { scenario: read.scenario, seesDownlinks: random.uniform() < 0.75, conditions };
}

type SoundNode = ReturnType<typeof drawNodes>[number];

/** A node as the site's conditions have it; `lowerDb` takes from its margin. */
function changedNode(node: SoundNode, change: { readonly lowerDb?: number }): SoundNode {
  const { lowerDb = 0, ...more } = change;
  const gains = Object.entries(node.pathGainDb).map(([eui, gainDb]) => [
    eui,
    gainDb === null ? null : gainDb - lowerDb,
  ]);
  return { ...node, ...more, marginDb: node.marginDb - lowerDb, pathGainDb: Object.fromEntries(gains) };
}

function drawGateways(random: Random, cause: FaultCause | null, durationSeconds: number) {
  // What one gateway loses another hears: faults of gateways show at sites with one.
  const isOfGateway = cause !== null && (cause.startsWith("gateway") || cause === "backhaul-loss");
  const count = random.uniform() < (isOfGateway ? 0.85 : 0.55) ? 1 : random.uniform() < 0.75 ? 2 : 3;
  // Long runs with rare keepalives: the share of a run that is keepalives says nothing about diagnosis.
  const leastSeconds = durationSeconds / 2500;
  return Array.from({ length: count }, (_, index) => ({
    eui: `${PREFIX}${String(index + 1).padStart(2, "0")}`,
    name: `Gateway ${index + 1}`,
    noiseFigureDb: range(random, 3, 14),
    noiseWanderDb: range(random, 0, 1),
    noiseWanderMinutes: logRange(random, 20, 600),
    clockDriftPpm: range(random, -10, 10),
    uptimeSeconds: logRange(random, 60, 3_000_000),
    keepaliveSeconds: Math.max(Math.ceil(leastSeconds), oneOf(random, [5, 10, 10, 20, 30])),
    statSeconds: Math.max(Math.ceil(2 * leastSeconds), oneOf(random, [30, 30, 60, 120])),
    hardware: oneOf(random, ["sx1301", "sx1302", "sx1302"] as const),
    gpsTime: random.uniform() < 0.3,
    forwardsCrcBad: random.uniform() < 0.4,
    protocolVersion: random.uniform() < 0.1 ? 1 : 2,
  }));
}

function drawNodes(
  random: Random,
  band: Band,
  gateways: readonly { readonly eui: string; readonly noiseFigureDb: number }[],
  siteRhythmSeconds: number,
) {
  const count = 4 + below(random, 7);
  const channelsHz = band.heardHz;
  const firstAddress = below(random, 0x1_0000);
  return Array.from({ length: count }, (_, index) => {
    const spreadingFactor = oneOf(random, band.factors);
    const floorDb = FLOOR_DB[spreadingFactor] ?? 0;
    const isRician = random.uniform() < 0.3;
    const fastFadingDb = range(random, 0.4, 2.2);
    const slowFadingDb = range(random, 0.3, 2.5);
    // A steady part 12 dB above the scatter fades by about 2 dB, one of 20 dB by less than 1.
    const ricianKDb = range(random, 12, 20);
    const spreadDb = Math.hypot(isRician ? 2 : fastFadingDb, slowFadingDb);
    const marginDb = 3.4 * spreadDb + 2.5 + range(random, 0, 18);
    const best = below(random, gateways.length);
    const pathGainDb = Object.fromEntries(
      gateways.map(({ eui, noiseFigureDb }, at) => {
        const noiseDbm = -174 + 10 * Math.log10(125_000) + noiseFigureDb;
        const lessDb = at === best ? 0 : Math.abs(8 * normal(random)) + 1;
        const gain = noiseDbm + floorDb + marginDb - lessDb - 14;
        return [eui, at !== best && random.uniform() < 0.2 ? null : Math.min(-30, gain)];
      }),
    );
    const rhythmSeconds = Math.min(3600, Math.max(60, siteRhythmSeconds * logRange(random, 0.6, 1.7)));
    const isTimed = random.uniform() < 0.85;
    return {
      marginDb,
      name: `Node ${index + 1}`,
      devAddr: (0x01f2_0000 + ((firstAddress + 977 * index) % 0x1_0000))
        .toString(16)
        .toUpperCase()
        .padStart(8, "0"),
      devEui: `${PREFIX}${(0x30 + index).toString(16).toUpperCase()}`,
      rhythmSeconds,
      jitterShare: isTimed ? range(random, 0, 0.15) : range(random, 0.2, 0.5),
      schedule: oneOf(random, ["interval", "clock"] as const),
      clockPpm: range(random, -60, 60),
      hopping: oneOf(random, ["random", "without-replacement"] as const),
      payloadBytes: 4 + below(random, 20),
      spreadingFactor,
      pathGainDb,
      fastFading: isRician ? "rician" : "normal",
      ricianKDb,
      fastFadingDb,
      slowFadingDb,
      slowFadingMinutes: logRange(random, 5, 240),
      transmissions: random.uniform() < 0.85 ? 1 : 2,
      startCounter: random.uniform() < 0.2 ? 0 : below(random, 70_000),
      channelsHz,
    };
  });
}
