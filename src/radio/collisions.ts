/**
 * How many of the frames on one channel should be spoilt by others, at the load that was heard?
 *
 * Without capture: the ALOHA relation for mixed lengths (src/radio/collisions.ts; Abramson 1970, Roberts 1975, from memory):
 * a frame of length Ti meets none of its spreading factor with probability exp(-sum of rate_j x (Ti + Tj)).
 * With capture: the same, each interferer counted only with the chance that it spoils the frame, which is that the ratio
 * of their powers, drawn from the levels heard, lies below the least ratio of a published table. Thinning a Poisson
 * process leaves one (Kingman, Poisson Processes, 1993, colouring theorem; from memory).
 *
 * Assumes starts at random (equal periods do much worse), the load that was heard (what was not heard is missing),
 * interferers one at a time, any overlap as bad as another (a late or short one does less), receivers to spare.
 */

interface CompetingTraffic {
  readonly framesPerHour: number;
  readonly airtimeUs: number;
}

/**
 * Chance that a frame meets no other on its channel and spreading factor, when lengths differ:
 * exp(-sum of rate x (own airtime + other airtime)).
 */
export function successAmongMixedTraffic(airtimeUs: number, others: readonly CompetingTraffic[]): number {
  let expected = 0;
  for (const other of others) {
    expected += (other.framesPerHour / 3_600_000_000) * (airtimeUs + other.airtimeUs);
  }
  return Math.exp(-expected);
}

// Which of two overlapping LoRa frames survives? By the ratio of their powers, as two published tables see it.

/** Least signal-to-interference ratio in dB. Rows: wanted SF7 to SF12; columns: interferer SF7 to SF12. */
type CaptureTable = readonly (readonly number[])[];

/** Goursaud and Gorce 2015 (theory), as carried by the ns-3 LoRaWAN module, lora-interference-helper.cc. */
export const CAPTURE_GOURSAUD_2015: CaptureTable = [
  [6, -16, -18, -19, -19, -20],
  [-24, 6, -20, -22, -22, -22],
  [-27, -27, 6, -23, -25, -25],
  [-30, -30, -30, 6, -26, -28],
  [-33, -33, -33, -33, 6, -29],
  [-36, -36, -36, -36, -36, 6],
];

/** Croce et al. 2018, DOI 10.1109/LCOMM.2018.2797057 (simulated and measured), as carried by public simulators. */
export const CAPTURE_CROCE_2018: CaptureTable = [
  [1, -8, -9, -9, -9, -9],
  [-11, 1, -11, -12, -13, -13],
  [-15, -13, 1, -13, -14, -15],
  [-19, -18, -17, 1, -17, -18],
  [-22, -22, -21, -20, 1, -20],
  [-25, -25, -25, -24, -23, 1],
];

/** Frames of one data rate and length on a channel. */
export interface LoadClass {
  /** Frames of equal keys disturb each other in plain ALOHA. */
  readonly dataRate: number;
  /** null: no LoRa, so no table of capture. */
  readonly spreadingFactor: number | null;
  readonly bandwidthHz: number;
  readonly airtimeUs: number;
  readonly count: number;
}

export interface CollisionExpectation {
  readonly dataRate: number;
  readonly frames: number;
  /** Sum of airtime over the window, Erlang. */
  readonly offeredErlang: number;
  /** Share lost in ALOHA without capture, 0 to 1. */
  readonly aloha: number;
  /** Share lost with capture by each table, other spreading factors included; null with too few levels or no LoRa. */
  readonly captureTheory: number | null;
  readonly captureMeasured: number | null;
}

/** Levels of a data rate below which no ratio of powers is drawn. Common practice, no source. */
export const MIN_LEVELS = 10;
/** Levels kept of each data rate: every pair is compared. */
const MAX_LEVELS = 64;

/** For one channel: `classes` counted over `windowUs`, `levelsDbm` by data rate. One answer a data rate, in order of key. */
export function expectedCollisions(
  classes: readonly LoadClass[],
  levelsDbm: ReadonlyMap<number, readonly number[]>,
  windowUs: number,
): CollisionExpectation[] {
  const perHour = 3.6e9 / windowUs;
  const thinned = thinLevels(levelsDbm);
  const rates = [...new Set(classes.map(({ dataRate }) => dataRate))].sort((a, b) => a - b);
  const theory = spoilingChances(classes, thinned, CAPTURE_GOURSAUD_2015);
  const measured = spoilingChances(classes, thinned, CAPTURE_CROCE_2018);
  return rates.map((dataRate) => {
    const own = classes.filter((one) => one.dataRate === dataRate);
    const frames = own.reduce((sum, one) => sum + one.count, 0);
    const shareLost = (weight: (other: LoadClass) => number): number => {
      const lost = own.reduce((sum, one) => {
        const others = classes.map((other) => ({
          framesPerHour: other.count * perHour * weight(other),
          airtimeUs: other.airtimeUs,
        }));
        return sum + one.count * (1 - successAmongMixedTraffic(one.airtimeUs, others));
      }, 0);
      return frames === 0 ? 0 : lost / frames;
    };
    const captured = (chance: (wanted: number, other: number) => number | null): number | null => {
      const chances = new Map(rates.map((other) => [other, chance(dataRate, other)]));
      if ([...chances.values()].includes(null)) return null;
      return shareLost((other) => chances.get(other.dataRate) ?? 0);
    };
    return {
      dataRate,
      frames,
      offeredErlang: own.reduce((sum, one) => sum + one.count * one.airtimeUs, 0) / windowUs,
      aloha: shareLost((other) => (other.dataRate === dataRate ? 1 : 0)),
      captureTheory: captured(theory),
      captureMeasured: captured(measured),
    };
  });
}

/** All data rates of a channel together; a figure that one of them lacks is lacking. */
export function channelCollisions(
  all: readonly CollisionExpectation[],
): Pick<CollisionExpectation, "aloha" | "captureTheory" | "captureMeasured"> | null {
  const frames = all.reduce((sum, one) => sum + one.frames, 0);
  if (frames === 0) return null;
  const mean = (of: (one: CollisionExpectation) => number | null): number | null =>
    all.reduce<number | null>((sum, one) => {
      const share = of(one);
      return sum === null || share === null ? null : sum + (share * one.frames) / frames;
    }, 0);
  return {
    aloha: mean((one) => one.aloha) ?? 0,
    captureTheory: mean((one) => one.captureTheory),
    captureMeasured: mean((one) => one.captureMeasured),
  };
}

/**
 * The chance that one frame of a data rate spoils one of another: the share of pairs of levels whose difference lies
 * below the table's. 0 between bandwidths, of which the tables do not speak; null when it cannot be drawn.
 */
function spoilingChances(
  classes: readonly LoadClass[],
  levels: ReadonlyMap<number, readonly number[]>,
  table: CaptureTable,
): (wanted: number, other: number) => number | null {
  const settings = new Map(classes.map((one) => [one.dataRate, one]));
  return (wanted, other) => {
    const a = settings.get(wanted);
    const b = settings.get(other);
    if (a === undefined || b === undefined) return null;
    if (a.bandwidthHz !== b.bandwidthHz && wanted !== other) return 0;
    if (a.spreadingFactor === null || b.spreadingFactor === null) return null;
    const leastDb = table[a.spreadingFactor - 7]?.[b.spreadingFactor - 7];
    const own = levels.get(wanted) ?? [];
    const others = levels.get(other) ?? [];
    if (leastDb === undefined || own.length < MIN_LEVELS || others.length < MIN_LEVELS) return null;
    return spoiltPairs(own, others, leastDb);
  };
}

/** Share of pairs of levels whose difference lies below the ratio that is needed. Both sorted: the weaker, the more spoil it. */
function spoiltPairs(own: readonly number[], others: readonly number[], leastDb: number): number {
  let spoilt = 0;
  let harmless = 0;
  for (const level of own) {
    while (harmless < others.length && level - (others[harmless] ?? 0) >= leastDb) harmless += 1;
    spoilt += others.length - harmless;
  }
  return spoilt / (own.length * others.length);
}

/**
 * Share of a node's frames on one channel that the frames of others should spoil, by the same rule as
 * `expectedCollisions`, its own frames and those of its neighbours left out. `levels`: of the node and of the others, by
 * data rate, thinned and sorted (`thinLevels`). A share with capture is null with too few levels.
 */
export function lossToOthers(
  own: readonly LoadClass[],
  others: readonly LoadClass[],
  levels: {
    readonly own: ReadonlyMap<number, readonly number[]>;
    readonly others: ReadonlyMap<number, readonly number[]>;
  },
  windowUs: number,
): Pick<CollisionExpectation, "aloha" | "captureTheory" | "captureMeasured"> {
  const perHour = 3.6e9 / windowUs;
  const frames = own.reduce((sum, one) => sum + one.count, 0);
  const shareLost = (weight: (one: LoadClass, other: LoadClass) => number | null): number | null => {
    let lost = 0;
    for (const one of own) {
      const traffic: CompetingTraffic[] = [];
      for (const other of others) {
        const chance = weight(one, other);
        if (chance === null) return null;
        traffic.push({ framesPerHour: other.count * perHour * chance, airtimeUs: other.airtimeUs });
      }
      lost += one.count * (1 - successAmongMixedTraffic(one.airtimeUs, traffic));
    }
    return frames === 0 ? 0 : lost / frames;
  };
  const captured = (table: CaptureTable) =>
    shareLost((one, other) => {
      if (one.bandwidthHz !== other.bandwidthHz && one.dataRate !== other.dataRate) return 0;
      if (one.spreadingFactor === null || other.spreadingFactor === null) return null;
      const leastDb = table[one.spreadingFactor - 7]?.[other.spreadingFactor - 7];
      const [wanted, spoiling] = [
        levels.own.get(one.dataRate) ?? [],
        levels.others.get(other.dataRate) ?? [],
      ];
      if (leastDb === undefined || wanted.length < MIN_LEVELS || spoiling.length < MIN_LEVELS) return null;
      return spoiltPairs(wanted, spoiling, leastDb);
    });
  return {
    aloha: shareLost((one, other) => (one.dataRate === other.dataRate ? 1 : 0)) ?? 0,
    captureTheory: captured(CAPTURE_GOURSAUD_2015),
    captureMeasured: captured(CAPTURE_CROCE_2018),
  };
}

/** The same levels, few and sorted: done once where several channels share them. */
export function thinLevels(levelsDbm: ReadonlyMap<number, readonly number[]>): Map<number, number[]> {
  return new Map([...levelsDbm].map(([key, levels]) => [key, thin(levels)]));
}

/** Evenly spaced order statistics: the shape of the levels, whatever their number. */
function thin(levels: readonly number[]): number[] {
  const sorted = [...levels].sort((a, b) => a - b);
  if (sorted.length <= MAX_LEVELS) return sorted;
  return Array.from({ length: MAX_LEVELS }, (_, i) => {
    return sorted[Math.floor(((i + 0.5) * sorted.length) / MAX_LEVELS)] ?? 0;
  });
}

// How often are all demodulators of a gateway busy?

/**
 * Chance that a frame finds every demodulator busy. Erlang's B formula by its recursion; `offeredErlang` is the sum of
 * rate x airtime over everything detected, foreign networks included. 1 % at 3.13 Erlang with 8 demodulators.
 */
export function erlangB(offeredErlang: number, servers: number): number {
  let blocking = 1;
  for (let k = 1; k <= servers; k += 1) {
    blocking = (offeredErlang * blocking) / (k + offeredErlang * blocking);
  }
  return blocking;
}
