/**
 * How loud is the noise, in theory and as frames betray it; and how strong is a signal without it?
 */
import { quantile } from "../statistics/robust.ts";
import { demodulationFloorDb } from "./demodulation-floor.ts";

/** kT at 290 K, dBm in 1 Hz. Semtech AN1200.22 (from memory). */
export const THERMAL_NOISE_DENSITY_DBM_PER_HZ = -174;

/** Noise power in a bandwidth, dBm. Receiver noise figure 6 dB unless told. Semtech AN1200.13, AN1200.22 (from memory). */
export function thermalNoiseDbm(bandwidthHz: number, noiseFigureDb = 6): number {
  return THERMAL_NOISE_DENSITY_DBM_PER_HZ + 10 * Math.log10(bandwidthHz) + noiseFigureDb;
}

/**
 * Sensitivity of an ideal receiver, dBm: noise plus demodulation floor; null for no LoRa spreading factor.
 * For explanation only: margins come from SNR, because a site's noise sets its real floor.
 */
export function sensitivityDbm(
  spreadingFactor: number,
  bandwidthHz: number,
  noiseFigureDb = 6,
): number | null {
  const floorDb = demodulationFloorDb(spreadingFactor);
  return floorDb === null ? null : thermalNoiseDbm(bandwidthHz, noiseFigureDb) + floorDb;
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

export interface NoiseSample {
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
  /** 10 % quantile of the samples, dBm; null with a reason when there are too few. */
  readonly noiseDbm: number | null;
  readonly median: number | null;
  readonly sampleCount: number;
  readonly trust: "good" | "rough" | "none";
  readonly reason: string | null;
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
  const good: number[] = [];
  const all: number[] = [];
  for (const frame of frames) {
    const sample = noiseSample(frame.rssiDbm, frame.snrDb);
    if (sample !== null) {
      all.push(sample.noiseDbm);
      if (sample.trust === "good") {
        good.push(sample.noiseDbm);
      }
    }
  }
  const trust = good.length >= least ? "good" : "rough";
  const samples = trust === "good" ? good : all;
  if (samples.length < least) {
    return {
      noiseDbm: null,
      median: null,
      sampleCount: samples.length,
      trust: "none",
      reason: `Only ${samples.length} frames had an SNR of ${NOISE_SNR_MOST_DB} dB or less; ${least} are needed to tell the noise.`,
    };
  }
  return {
    noiseDbm: quantile(samples, 0.1),
    median: quantile(samples, 0.5),
    sampleCount: samples.length,
    trust,
    reason:
      trust === "good"
        ? null
        : `Too few frames with an SNR of 0 dB or less; frames up to ${NOISE_SNR_MOST_DB} dB were used, so the noise may look too high.`,
  };
}
