/**
 * How loud is the noise, in theory and as frames betray it; and how strong is a signal without it?
 */
import { mannKendall } from "../statistics/rank-tests.ts";
import { median, quantile } from "../statistics/robust.ts";
import { effectiveSampleSize, lag1Autocorrelation } from "../statistics/series.ts";
import { theilSen } from "../statistics/theil-sen.ts";

/** kT at 290 K, dBm in 1 Hz. Semtech AN1200.22 (from memory). */
export const THERMAL_NOISE_DENSITY_DBM_PER_HZ = -174;

/** Noise power in a bandwidth, dBm. Receiver noise figure 6 dB unless given. Semtech AN1200.13, AN1200.22 (from memory). */
export function thermalNoiseDbm(bandwidthHz: number, noiseFigureDb = 6): number {
  return THERMAL_NOISE_DENSITY_DBM_PER_HZ + 10 * Math.log10(bandwidthHz) + noiseFigureDb;
}

/**
 * Expected signal power (ESP), dBm: the signal's share of a channel RSSI that contains signal and noise.
 * Formula of the LoRa link-estimation literature: RSSI + SNR - 10 log10(1 + 10^(SNR/10)).
 */
export function expectedSignalPowerDbm(rssiDbm: number, snrDb: number): number {
  return channelNoiseDbm(rssiDbm, snrDb) + snrDb;
}

/** The noise's share of a channel RSSI, dBm: ESP minus SNR. Only arithmetic; see `noiseSample` for when to believe it. */
export function channelNoiseDbm(rssiDbm: number, snrDb: number): number {
  return rssiDbm - 10 * Math.log10(1 + 10 ** (snrDb / 10));
}

/** SNR up to which a frame tells the noise well, dB. Derived: the SNR estimator saturates at +10 to +14 dB. */
export const NOISE_SNR_GOOD_DB = 0;
/** SNR beyond which a frame tells nothing about the noise, dB. */
export const NOISE_SNR_MOST_DB = 5;

interface NoiseSample {
  readonly noiseDbm: number;
  /** `good` up to 0 dB SNR, `rough` up to 5 dB. */
  readonly trust: "good" | "rough";
}

/**
 * Noise as one frame betrays it, or null when it cannot: no RSSI or SNR, or an SNR above 5 dB, where the estimator
 * saturates and the noise would look up to 10 dB too high.
 */
export function noiseSample(rssiDbm: number | null, snrDb: number | null): NoiseSample | null {
  if (rssiDbm === null || snrDb === null || !Number.isFinite(rssiDbm) || !(snrDb <= NOISE_SNR_MOST_DB)) {
    return null;
  }
  return {
    noiseDbm: channelNoiseDbm(rssiDbm, snrDb),
    trust: snrDb <= NOISE_SNR_GOOD_DB ? "good" : "rough",
  };
}

export interface NoiseFloor {
  /** 10 % quantile of the samples, dBm; null when there are too few. */
  readonly noiseDbm: number | null;
  readonly median: number | null;
  readonly sampleCount: number;
  readonly trust: "good" | "rough" | "none";
}

/**
 * Noise floor of a channel from its frames: a low quantile, since bursts only ever raise single samples.
 * Uses frames with SNR up to 0 dB; when fewer than `least` exist, those up to 5 dB, and says so.
 * 20 samples at least (common practice, no source).
 */
export function noiseFloor(
  frames: Iterable<{ readonly rssiDbm: number | null; readonly snrDb: number | null }>,
  least = 20,
): NoiseFloor {
  const samples: NoiseSample[] = [];
  for (const frame of frames) {
    const sample = noiseSample(frame.rssiDbm, frame.snrDb);
    if (sample !== null) samples.push(sample);
  }
  return noiseFloorOf(samples, least);
}

/** The same of samples that are at hand. */
export function noiseFloorOf(heard: readonly NoiseSample[], least = 20): NoiseFloor {
  const good: number[] = [];
  const all: number[] = [];
  for (const sample of heard) {
    all.push(sample.noiseDbm);
    if (sample.trust === "good") good.push(sample.noiseDbm);
  }
  const trust = good.length >= least ? "good" : "rough";
  const samples = trust === "good" ? good : all;
  if (samples.length < least) {
    return {
      noiseDbm: null,
      median: null,
      sampleCount: samples.length,
      trust: "none",
    };
  }
  return {
    noiseDbm: quantile(samples, 0.1),
    median: quantile(samples, 0.5),
    sampleCount: samples.length,
    trust,
  };
}

// Did the noise of a channel rise or fall over a window? The low quantile of each stretch of time, then the slope of
// Theil and Sen and the test of Mann and Kendall over the stretches.

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
  readonly filled: number;
  /** Theil-Sen, dB an hour, with its 95 % interval; null: not enough to say. */
  readonly slopeDbPerHour: number | null;
  readonly slopeLow: number | null;
  readonly slopeHigh: number | null;
  /** Slope times the time from the first filled stretch to the last, dB. */
  readonly changeDb: number | null;
  /** By how much the loudest stretch stands above the median one, dB; null where none is filled. */
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
  const goodFilled = filledOf(goodStretches);
  const isGood = goodFilled > 0 && (goodFilled >= leastStretches || 2 * goodFilled >= filledOf(allStretches));
  const stretches = isGood ? goodStretches : allStretches;
  const filled = filledOf(stretches);
  const levels = stretches.filter((value) => value !== null);
  const middle = median(levels);
  const loudestDb = middle === null ? null : Math.max(...levels) - middle;
  const trust = filled === 0 ? "none" : isGood ? "good" : "rough";
  const points = stretches.flatMap((y, i) => (y === null ? [] : [{ x: (i * stretchUs) / 3.6e9, y }]));
  const nothing = { slopeDbPerHour: null, slopeLow: null, slopeHigh: null, changeDb: null, p: null };
  if (filled < leastStretches) {
    return { stretches, trust, filled, loudestDb, ...nothing, verdict: "not enough" };
  }
  const line = theilSen(points);
  const slope = line.slope ?? 0;
  const rho = lag1Autocorrelation(points.map(({ x, y }) => y - slope * x));
  const test = mannKendall(
    points.map(({ y }) => y),
    filled / effectiveSampleSize(filled, rho),
  );
  const changeDb = slope * ((points.at(-1)?.x ?? 0) - (points[0]?.x ?? 0));
  const counts = (test.p ?? 1) < mostP && Math.abs(changeDb) >= leastChangeDb;
  return {
    stretches,
    trust,
    filled,
    loudestDb,
    slopeDbPerHour: line.slope,
    slopeLow: line.low,
    slopeHigh: line.high,
    changeDb,
    p: test.p,
    verdict: counts ? (changeDb > 0 ? "rises" : "falls") : "steady",
  };
}

function filledOf(stretches: readonly (number | null)[]): number {
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

// How strong is the signal itself, and by which of three figures? One series never mixes them.

/** `signal-rssi`: the modem's signal-only average. `esp`: from channel RSSI and SNR. `channel-rssi`: FSK, noise included. */
export type SignalPowerSource = "signal-rssi" | "esp" | "channel-rssi";

export interface PowerReadings {
  readonly rssiDbm: number | null;
  readonly signalRssiDbm: number | null;
  readonly snrDb: number | null;
}

/**
 * The figure to use for a whole series: signal RSSI when every frame with an RSSI has one, else ESP when any frame
 * has an SNR, else the channel RSSI. A series that gains signal RSSI midway keeps ESP, so that the change of figure
 * does not look like a change of the link.
 */
export function chooseSignalPowerSource(series: Iterable<PowerReadings>): SignalPowerSource {
  let readings = 0;
  let withSignalRssi = 0;
  let withSnr = 0;
  for (const frame of series) {
    if (frame.rssiDbm !== null || frame.signalRssiDbm !== null) {
      readings += 1;
      withSignalRssi += frame.signalRssiDbm === null ? 0 : 1;
      withSnr += frame.snrDb === null || frame.rssiDbm === null ? 0 : 1;
    }
  }
  if (readings > 0 && withSignalRssi === readings) {
    return "signal-rssi";
  }
  return withSnr > 0 ? "esp" : "channel-rssi";
}

/** Signal power of one frame by the chosen figure, dBm; null when that frame lacks what the figure needs. */
export function signalPowerDbm(frame: PowerReadings, source: SignalPowerSource): number | null {
  switch (source) {
    case "signal-rssi":
      return frame.signalRssiDbm;
    case "esp":
      return frame.rssiDbm === null || frame.snrDb === null
        ? null
        : expectedSignalPowerDbm(frame.rssiDbm, frame.snrDb);
    case "channel-rssi":
      return frame.rssiDbm;
  }
}
