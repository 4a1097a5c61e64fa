/**
 * Sites about a mark, drawn wide by seed: fading of several kinds, weather that moves all paths at once, losses, nodes near
 * the floor; with a change at the mark or without.
 */
import { below, createRandom, normal, type Random } from "../../../src/simulate/time-and-chance.ts";

export const MAST = "02005E1000000001";
export const BESIDE = "02005E1000000002";
const FLOOR_DB: Readonly<Record<number, number>> = { 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20 };

export interface MarkedSite {
  readonly seed: number;
  /** Hours before the mark, and as many after it. */
  readonly hours: number;
  /** By so much every path of the mast is better after the mark, dB; below 0: worse. */
  readonly changeDb: number;
  /** Whether a second gateway hears the same nodes, unchanged. */
  readonly beside?: boolean;
}

/** Weather takes this from every path on average, dB; the paths are so much better without it. */
const WEATHER_DB = 4;

/** A loss of each hour that wanders about the average and forgets itself within some hours. */
function weather(random: Random, hours: number, gateways: readonly string[]): object[] {
  const sizeDb = range(random, 0, 1.2);
  const stays = Math.exp(-1 / range(random, 2, 8));
  let now = normal(random);
  return Array.from({ length: hours }, (_, hour) => {
    now = stays * now + Math.sqrt(1 - stays * stays) * normal(random);
    const lossDb = Math.max(0, WEATHER_DB + sizeDb * now);
    return gateways.map((gateway) => ({
      event: "weak-link",
      gateway,
      from: hour * 3600,
      to: (hour + 1) * 3600,
      lossDb,
    }));
  }).flat();
}

const range = (random: Random, from: number, to: number) => from + (to - from) * random.uniform();

/** In the form of a scenario file; the mark lies in its middle. */
export function drawMarkedSite({ seed, hours, changeDb, beside = false }: MarkedSite) {
  const random = createRandom(seed, "a mark");
  const noiseFigureDb = range(random, 3, 8);
  const noiseDbm = -174 + 10 * Math.log10(125_000) + noiseFigureDb;
  const shared = {
    noiseFigureDb,
    noiseWanderDb: range(random, 0, 0.5),
    keepaliveSeconds: 120,
    statSeconds: 1200,
  };
  const nodes = Array.from({ length: 5 + below(random, 4) }, (_, i) => {
    const spreadingFactor = 7 + below(random, 4);
    const marginDb = range(random, 0.5, 10) - Math.max(0, changeDb);
    const gainDb = noiseDbm + (FLOOR_DB[spreadingFactor] ?? 0) + marginDb - 14 + WEATHER_DB;
    return {
      name: `Node ${i + 1}`,
      devAddr: (0x01f2_7000 + 16 * (seed % 4096) + i).toString(16).toUpperCase().padStart(8, "0"),
      rhythmSeconds: range(random, 200, 500),
      jitterShare: range(random, 0.02, 0.2),
      payloadBytes: 6 + below(random, 16),
      spreadingFactor,
      pathGainDb: { [MAST]: gainDb, ...(beside ? { [BESIDE]: gainDb + 3 } : {}) },
      fastFadingDb: range(random, 0.5, 2.2),
      slowFadingDb: range(random, 0.3, 2.5),
      slowFadingMinutes: range(random, 15, 240),
    };
  });
  const half = hours * 3600;
  // A loss is injected where the change is for the worse, and taken away at the mark where it is for the better.
  const [from, to] = changeDb > 0 ? [0, half] : [half, 2 * half];
  return {
    title: `mark, seed ${seed}`,
    site: "drawn",
    start: "2026-04-14T04:00:00Z",
    duration: 2 * half,
    seed,
    channelsHz: [868_100_000, 868_300_000, 868_500_000],
    network: { lossShare: random.uniform() < 0.5 ? 0 : range(random, 0, 0.02) },
    gateways: [
      { eui: MAST, name: "Mast", ...shared },
      ...(beside ? [{ eui: BESIDE, name: "Beside", ...shared }] : []),
    ],
    nodes: nodes.map((node) =>
      changeDb > 0
        ? { ...node, pathGainDb: { ...node.pathGainDb, [MAST]: (node.pathGainDb[MAST] ?? 0) + changeDb } }
        : node,
    ),
    events: [
      ...weather(random, 2 * hours, beside ? [MAST, BESIDE] : [MAST]),
      ...(changeDb === 0
        ? []
        : [{ event: "weak-link", gateway: MAST, from, to, lossDb: Math.abs(changeDb) }]),
    ],
  };
}

/** When the mark of such a site lies. */
export function markAt({ hours }: Pick<MarkedSite, "hours">): string {
  return new Date(Date.parse("2026-04-14T04:00:00Z") + hours * 3_600_000).toISOString();
}
