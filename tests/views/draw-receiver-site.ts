/**
 * Sites for the measure of a receiver, drawn wide by seed: weak nodes about the threshold, fading of several kinds, knees,
 * noise by channel and its wander, lost datagrams, and the scatter of what is reported. One gateway, or two on one mast.
 */
import { below, createRandom, normal, type Random } from "../../src/simulate/time-and-chance.ts";

export const MAST = "02005E1000000001";
export const BESIDE = "02005E1000000002";

// SX1276 data sheet, Table 13.
const FLOOR_DB: Readonly<Record<number, number>> = { 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20 };
const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000, 867_500_000];

export interface ReceiverSite {
  readonly seed: number;
  /** No second gateway. */
  readonly alone: boolean;
  /** Of the mast's gateway: a demodulator that needs so much more. */
  readonly demodulatorLossDb?: number;
  /** Of the mast's gateway: a noise figure so much worse. */
  readonly noiseFigureLossDb?: number;
}

const range = (random: Random, from: number, to: number) => from + (to - from) * random.uniform();

/** In the form of a scenario file. */
export function drawReceiverSite(site: ReceiverSite) {
  const { seed, alone, demodulatorLossDb = 0, noiseFigureLossDb = 0 } = site;
  const random = createRandom(seed, `receiver ${alone ? "alone" : "beside another"}`);
  const noiseFigureDb = range(random, 3, 10);
  const rhythmSeconds = range(random, 60, 300);
  const channelNoiseDb = Object.fromEntries(
    CHANNELS_HZ.map((hz) => [hz, random.uniform() < 0.7 ? 0 : range(random, 0, 4)]),
  );
  const noiseDbm = -174 + 10 * Math.log10(125_000) + noiseFigureDb;
  const shared = {
    channelNoiseDb,
    noiseWanderDb: range(random, 0, 0.8),
    noiseWanderMinutes: range(random, 20, 300),
    forwardsCrcBad: random.uniform() < 0.5,
    // Rare ones: what is drawn here is the radio.
    keepaliveSeconds: 60,
    statSeconds: 600,
  };
  const gateways = [
    {
      eui: MAST,
      name: "Mast",
      ...shared,
      noiseFigureDb: noiseFigureDb + noiseFigureLossDb,
      demodulatorLossDb,
    },
    ...(alone ? [] : [{ eui: BESIDE, name: "Beside", ...shared, noiseFigureDb }]),
  ];
  const nodes = Array.from({ length: 8 + below(random, 5) }, (_, i) => {
    const spreadingFactor = 7 + below(random, 4);
    const isRician = random.uniform() < 0.25;
    // From nodes that are lost half of the time to those that are safe.
    const marginDb = range(random, -0.5, 9);
    const gainDb = noiseDbm + (FLOOR_DB[spreadingFactor] ?? 0) + marginDb - 14;
    return {
      name: `Node ${i + 1}`,
      devAddr: (0x01f2_3000 + 16 * seed + i).toString(16).toUpperCase().padStart(8, "0"),
      rhythmSeconds: rhythmSeconds * range(random, 0.7, 1.5),
      jitterShare: range(random, 0.02, 0.3),
      payloadBytes: 6 + below(random, 16),
      spreadingFactor,
      pathGainDb: { [MAST]: gainDb, ...(alone ? {} : { [BESIDE]: gainDb + normal(random) }) },
      fastFading: isRician ? "rician" : "normal",
      ricianKDb: range(random, 8, 20),
      fastFadingDb: range(random, 0.5, 2.2),
      slowFadingDb: range(random, 0.3, 2.5),
      slowFadingMinutes: range(random, 15, 240),
    };
  });
  return {
    title: `receiver, seed ${seed}`,
    site: "drawn",
    start: "2026-04-14T04:00:00Z",
    duration: Math.round(320 * rhythmSeconds),
    seed,
    channelsHz: CHANNELS_HZ,
    network: { lossShare: random.uniform() < 0.5 ? 0 : range(random, 0, 0.02) },
    physics: {
      kneeWidthDb: range(random, 0.3, 1.2),
      reportScatterDb: range(random, 0.2, 1),
      snrCeilingDb: range(random, 8, 14),
    },
    gateways,
    nodes,
  };
}
