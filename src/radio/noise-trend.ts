/**
 * Did the noise of a channel rise or fall over a window? The low quantile of each stretch of time, then the slope of
 * Theil and Sen and the test of Mann and Kendall over the stretches.
 */
import { effectiveSampleSize, lag1Autocorrelation } from "../statistics/effective-sample-size.ts";
import { mannKendall } from "../statistics/mann-kendall.ts";
import { median, quantile } from "../statistics/robust.ts";
import { theilSen } from "../statistics/theil-sen.ts";
import { type NoiseSample, noiseSample } from "./noise.ts";

export interface NoiseReading {
  readonly atUs: number;
  readonly rssiDbm: number | null;
  readonly snrDb: number | null;
}

export interface NoiseTrend {
  /** 10 % quantile of each stretch, dBm; null where it has too few samples. */
  readonly stretches: readonly (number | null)[];
  /** `good`: frames at 0 dB SNR or below; `rough`: up to 5 dB, for want of weaker ones; `none`. One choice for all. */
  readonly trust: "good" | "rough" | "none";
  /** Stretches that have a value. */
  readonly told: number;
  /** Theil-Sen, dB an hour, with its 95 % interval; null: not enough to say. */
  readonly slopeDbPerHour: number | null;
  readonly slopeLow: number | null;
  readonly slopeHigh: number | null;
  /** Slope times the time from the first stretch told to the last, dB. */
  readonly changeDb: number | null;
  /** By how much the loudest stretch stands above the median one, dB; null where none is told. */
  readonly loudestDb: number | null;
  /** Mann-Kendall, two-sided, its variance widened for autocorrelation. */
  readonly p: number | null;
  readonly verdict: "rises" | "falls" | "steady" | "not enough";
}

/**
 * Samples that a stretch needs, stretches that a trend needs (with fewer no order of values reaches p < 0.01), and what
 * counts. But for the second: common practice, no source.
 */
export const NOISE_TREND_RULE = {
  leastSamples: 5,
  leastStretches: 6,
  mostP: 0.01,
  leastChangeDb: 3,
} as const;

/** Readings of one channel over [fromUs, toUs), in so many stretches of equal length. Order does not matter. */
export function noiseTrend(
  readings: readonly NoiseReading[],
  window: { readonly fromUs: number; readonly toUs: number },
  stretchCount: number,
): NoiseTrend {
  return noiseTrendOf(noiseSamples(readings), window, stretchCount);
}

export interface TimedNoise extends NoiseSample {
  readonly atUs: number;
}

/** What each frame betrays of the noise; those that betray nothing left out. */
export function noiseSamples(readings: readonly NoiseReading[]): TimedNoise[] {
  return readings.flatMap(({ atUs, rssiDbm, snrDb }) => {
    const sample = noiseSample(rssiDbm, snrDb);
    return sample === null ? [] : [{ atUs, ...sample }];
  });
}

/** The same from samples, for whoever tries several widths of stretches. */
export function noiseTrendOf(
  samples: readonly TimedNoise[],
  window: { readonly fromUs: number; readonly toUs: number },
  stretchCount: number,
): NoiseTrend {
  const { leastSamples, leastStretches, mostP, leastChangeDb } = NOISE_TREND_RULE;
  const stretchUs = (window.toUs - window.fromUs) / stretchCount;
  const good = samples.filter(({ trust }) => trust === "good");
  // A series that changes its kind of frame midway would show a step that is none: one kind throughout.
  const goodStretches = quantiles(good, window.fromUs, stretchUs, stretchCount, leastSamples);
  const allStretches = quantiles(samples, window.fromUs, stretchUs, stretchCount, leastSamples);
  const goodTold = toldOf(goodStretches);
  const isGood = goodTold > 0 && (goodTold >= leastStretches || 2 * goodTold >= toldOf(allStretches));
  const stretches = isGood ? goodStretches : allStretches;
  const told = toldOf(stretches);
  const levels = stretches.filter((value) => value !== null);
  const middle = median(levels);
  const loudestDb = middle === null ? null : Math.max(...levels) - middle;
  const trust = told === 0 ? "none" : isGood ? "good" : "rough";
  const points = stretches.flatMap((y, i) => (y === null ? [] : [{ x: (i * stretchUs) / 3.6e9, y }]));
  const first = points[0];
  const last = points.at(-1);
  const nothing = { slopeDbPerHour: null, slopeLow: null, slopeHigh: null, changeDb: null, p: null };
  if (told < leastStretches || first === undefined || last === undefined) {
    return { stretches, trust, told, loudestDb, ...nothing, verdict: "not enough" };
  }
  const line = theilSen(points);
  const slope = line.slope ?? 0;
  const rho = lag1Autocorrelation(points.map(({ x, y }) => y - slope * x));
  const test = mannKendall(
    points.map(({ y }) => y),
    told / effectiveSampleSize(told, rho),
  );
  const changeDb = slope * (last.x - first.x);
  const counts = (test.p ?? 1) < mostP && Math.abs(changeDb) >= leastChangeDb;
  return {
    stretches,
    trust,
    told,
    loudestDb,
    slopeDbPerHour: line.slope,
    slopeLow: line.low,
    slopeHigh: line.high,
    changeDb,
    p: test.p,
    verdict: counts ? (changeDb > 0 ? "rises" : "falls") : "steady",
  };
}

function toldOf(stretches: readonly (number | null)[]): number {
  return stretches.filter((value) => value !== null).length;
}

function quantiles(
  samples: readonly { readonly atUs: number; readonly noiseDbm: number }[],
  fromUs: number,
  stretchUs: number,
  stretchCount: number,
  leastSamples: number,
): (number | null)[] {
  const lists: number[][] = Array.from({ length: stretchCount }, () => []);
  for (const { atUs, noiseDbm } of samples) lists[Math.floor((atUs - fromUs) / stretchUs)]?.push(noiseDbm);
  return lists.map((list) => (list.length < leastSamples ? null : quantile(list, 0.1)));
}
