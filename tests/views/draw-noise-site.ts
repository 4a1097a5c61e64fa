/**
 * Sites with a jammer at a known place, drawn wide by seed: three or four gateways, nodes about them, walls between, antennas
 * that differ, noise that wanders; the jammer on one channel or wide, steady or in pulses.
 */
import { below, createRandom, normal, type Random } from "../../src/simulate/time-and-chance.ts";

const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000];
// SX1276 data sheet, Table 13.
const FLOOR_DB: Readonly<Record<number, number>> = { 7: -7.5, 8: -10, 9: -12.5, 10: -15 };

const range = (random: Random, from: number, to: number) => from + (to - from) * random.uniform();

interface Point {
  readonly eastM: number;
  readonly northM: number;
}

/** Loss over distance with an exponent between free space and a town's, and a wall or two (chosen). */
function lossDb(random: Random, a: Point, b: Point, wallsDb: number): number {
  const distanceM = Math.max(20, Math.hypot(a.eastM - b.eastM, a.northM - b.northM));
  return 31.5 + 10 * 3 * Math.log10(distanceM) + wallsDb * normal(random);
}

export interface JammedSite {
  readonly scenario: object;
  readonly durationUs: number;
  readonly gateways: readonly (Point & {
    eui: string;
    gainDb: number;
    gainKnown: boolean;
    jamDbm: number;
    riseDb: number;
  })[];
  readonly jammer: Point;
  readonly isWide: boolean;
  /** null: steady. */
  readonly periodSeconds: number | null;
}

export function drawJammedSite(seed: number, isJammed = true): JammedSite {
  const random = createRandom(seed, "jammed site");
  const sizeM = range(random, 400, 3_000);
  const place = (): Point => ({ eastM: range(random, 0, sizeM), northM: range(random, 0, sizeM) });
  const jammer = place();
  const gainKnown = random.uniform() < 0.5;
  const rhythmSeconds = range(random, 60, 150);
  const durationS = Math.round(260 * rhythmSeconds);
  const isWide = random.uniform() < 0.4;
  const frequencyHz = CHANNELS_HZ[below(random, CHANNELS_HZ.length)] ?? 868_100_000;
  const drawn = Array.from({ length: 3 + below(random, 2) }, (_, i) => {
    const noiseFigureDb = range(random, 3, 9);
    return {
      ...place(),
      eui: `02005E100000000${i + 1}`,
      gainDb: normal(random),
      noiseFigureDb,
      noiseDbm: -174 + 10 * Math.log10(125_000) + noiseFigureDb,
    };
  });
  const walls = drawn.map((gateway) => lossDb(random, gateway, jammer, 4));
  // As strong as to stand out at the gateway that it reaches best, and to leave some frames there.
  const best = Math.max(...drawn.map(({ gainDb, noiseDbm }, i) => gainDb - (walls[i] ?? 0) - noiseDbm));
  const eirpDbm = range(random, 9, 22) - best;
  const gateways = drawn.map((gateway, i) => {
    const jamDbm = eirpDbm - (walls[i] ?? 0);
    const overDb = jamDbm + gateway.gainDb - gateway.noiseDbm;
    return { ...gateway, gainKnown, jamDbm, riseDb: 10 * Math.log10(1 + 10 ** (overDb / 10)) };
  });
  const isPulsed = random.uniform() < 0.4;
  const periodSeconds = isPulsed ? range(random, 150, 900) : null;
  const from = Math.round(durationS * range(random, 0.2, 0.4));
  const to = Math.round(durationS * range(random, 0.65, 0.85));
  const onShare = range(random, 0.25, 0.55);
  const nodes = Array.from({ length: 16 + below(random, 10) }, (_, i) => {
    const at = place();
    const spreadingFactor = 7 + below(random, 4);
    const losses = gateways.map((gateway) => lossDb(random, gateway, at, 6));
    // A node's power as an adaptive network would leave it: some dB above the floor where it is heard best.
    const bestDb = Math.max(
      ...gateways.map(({ gainDb, noiseDbm }, g) => gainDb - (losses[g] ?? 0) - noiseDbm),
    );
    const powerDbm = (FLOOR_DB[spreadingFactor] ?? 0) + range(random, 6, 26) - bestDb;
    return {
      name: `Node ${i + 1}`,
      devAddr: (0x01f2_4000 + 32 * (seed % 1000) + i).toString(16).toUpperCase().padStart(8, "0"),
      rhythmSeconds: rhythmSeconds * range(random, 0.7, 1.4),
      jitterShare: range(random, 0.02, 0.3),
      payloadBytes: 6 + below(random, 16),
      spreadingFactor,
      transmitPowerDbm: 14,
      pathGainDb: Object.fromEntries(
        gateways.map(({ eui, gainDb }, g) => [eui, Math.min(0, powerDbm - 14 - (losses[g] ?? 0) + gainDb)]),
      ),
      fastFadingDb: range(random, 0.5, 2),
      slowFadingDb: range(random, 0.3, 2),
      slowFadingMinutes: range(random, 15, 240),
    };
  });
  const events = gateways.map(({ eui, riseDb }) => ({
    event: "interference",
    gateway: eui,
    ...(isWide ? {} : { frequenciesHz: [frequencyHz] }),
    from,
    to,
    noiseRiseDb: riseDb,
    ...(periodSeconds === null ? {} : { periodSeconds, onShare }),
  }));
  return {
    scenario: {
      title: `jammed, seed ${seed}`,
      site: "drawn",
      start: "2026-04-14T04:00:00Z",
      duration: durationS,
      seed,
      channelsHz: CHANNELS_HZ,
      gateways: gateways.map(({ eui, noiseFigureDb }) => ({
        eui,
        name: `Mast ${eui.slice(-1)}`,
        noiseFigureDb,
        channelNoiseDb: Object.fromEntries(
          CHANNELS_HZ.map((hz) => [hz, random.uniform() < 0.7 ? 0 : range(random, 0, 3)]),
        ),
        noiseWanderDb: range(random, 0, 0.8),
        noiseWanderMinutes: range(random, 20, 300),
        keepaliveSeconds: 60,
        statSeconds: 600,
      })),
      nodes,
      events: isJammed ? events : [],
    },
    durationUs: durationS * 1e6,
    gateways,
    jammer,
    isWide,
    periodSeconds,
  };
}
