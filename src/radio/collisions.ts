/**
 * How many of the frames on one channel should be spoilt by others, at the load that was heard?
 *
 * Without capture: the ALOHA relation for mixed lengths (src/radio/aloha.ts; Abramson 1970, Roberts 1975, from memory):
 * a frame of length Ti meets none of its spreading factor with probability exp(-sum of rate_j x (Ti + Tj)).
 * With capture: the same, each interferer counted only with the chance that it spoils the frame, which is that the ratio
 * of their powers, drawn from the levels heard, lies below the least ratio of a published table. Thinning a Poisson
 * process leaves one (Kingman, Poisson Processes, 1993, colouring theorem; from memory).
 *
 * Assumes starts at random (equal periods do much worse), the load that was heard (what was not heard is missing),
 * interferers one at a time, any overlap as bad as another (a late or short one does less), receivers to spare.
 */
import { successAmongMixedTraffic } from "./aloha.ts";
import { CAPTURE_CROCE_2018, CAPTURE_GOURSAUD_2015, type CaptureTable } from "./capture-effect.ts";

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
export const LEAST_LEVELS = 10;
/** Levels kept of each data rate: every pair is compared. */
const MOST_LEVELS = 64;

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
    if (leastDb === undefined || own.length < LEAST_LEVELS || others.length < LEAST_LEVELS) return null;
    // Both are sorted: the weaker the wanted frame, the more spoil it.
    let spoilt = 0;
    let harmless = 0;
    for (const level of own) {
      while (harmless < others.length && level - (others[harmless] ?? 0) >= leastDb) harmless += 1;
      spoilt += others.length - harmless;
    }
    return spoilt / (own.length * others.length);
  };
}

/** The same levels, few and sorted: done once where several channels share them. */
export function thinLevels(levelsDbm: ReadonlyMap<number, readonly number[]>): Map<number, number[]> {
  return new Map([...levelsDbm].map(([key, levels]) => [key, thin(levels)]));
}

/** Evenly spaced order statistics: the shape of the levels, whatever their number. */
function thin(levels: readonly number[]): number[] {
  const sorted = [...levels].sort((a, b) => a - b);
  if (sorted.length <= MOST_LEVELS) return sorted;
  return Array.from({ length: MOST_LEVELS }, (_, i) => {
    return sorted[Math.floor(((i + 0.5) * sorted.length) / MOST_LEVELS)] ?? 0;
  });
}
