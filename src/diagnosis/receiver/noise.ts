/**
 * How loud is the noise that this gateway has, against theory and against the gateways beside it?
 *
 * A noise figure that got worse lowers the SNR of all that is heard and leaves delivery at an SNR as it was: it shows
 * only here, as RSSI less SNR of weak frames (src/radio/noise.ts). What is seen is the noise of receiver and place
 * together, on an RSSI scale that nobody calibrated. Between two gateways side by side the place is the same; between
 * two places it is not, and the difference says so.
 */
import { groupBy } from "../../model/group-by.ts";
import { NOISE_SNR_GOOD_DB, noiseSample, thermalNoiseDbm } from "../../radio/noise.ts";
import { median } from "../../statistics/robust.ts";
import { hodgesLehmann } from "../../statistics/signed-rank.ts";

export interface NoiseFrame {
  readonly atUs: number;
  readonly frequencyHz: number;
  readonly bandwidthHz: number;
  readonly rssiDbm: number;
  readonly snrDb: number;
}

export interface NoiseMeasure {
  /** Median over channels in 125 kHz; null: too few weak frames. */
  readonly noiseDbm: number | null;
  /** Over thermal noise in 125 kHz without any noise figure. */
  readonly overThermalDb: number | null;
  readonly channels: number;
  readonly frames: number;
}

export interface NoiseDifference {
  /** This gateway minus the other. */
  readonly differenceDb: number;
  readonly lowDb: number;
  readonly highDb: number;
  /** Channels and stretches of time in which the noise of both was measured. */
  readonly cells: number;
}

/** Frames of a channel from which its noise is estimated, and in one stretch of time. Chosen. */
const MIN_A_CHANNEL = 10;
const MIN_A_CELL = 4;
/** Stretches of time in which channels are compared, and cells without which nothing is said. Chosen. */
const STRETCHES = 6;
const MIN_CELLS = 6;
const BANDWIDTH_HZ = 125_000;

interface Sample {
  readonly atUs: number;
  readonly frequencyHz: number;
  /** In 125 kHz. */
  readonly noiseDbm: number;
}

/** Frames up to 0 dB SNR only: stronger ones say more of the estimator than of the noise. */
function samplesOf(frames: readonly NoiseFrame[]): Sample[] {
  return frames.flatMap(({ atUs, frequencyHz, bandwidthHz, rssiDbm, snrDb }) => {
    const sample = snrDb > NOISE_SNR_GOOD_DB ? null : noiseSample(rssiDbm, snrDb);
    if (sample === null) return [];
    const noiseDbm = sample.noiseDbm - 10 * Math.log10(bandwidthHz / BANDWIDTH_HZ);
    return [{ atUs, frequencyHz, noiseDbm }];
  });
}

/** Median noise in dBm by channel, of channels with enough weak frames. */
function byChannel(samples: readonly Sample[]): Map<number, number> {
  return mediansOf(samples, ({ frequencyHz }) => frequencyHz, MIN_A_CHANNEL);
}

function mediansOf(
  samples: readonly Sample[],
  keyOf: (sample: Sample) => number,
  least: number,
): Map<number, number> {
  const medians = new Map<number, number>();
  for (const [key, list] of groupBy(samples, keyOf)) {
    const middle = list.length < least ? null : median(list.map(({ noiseDbm }) => noiseDbm));
    if (middle !== null) medians.set(key, middle);
  }
  return medians;
}

export function measureNoise(frames: readonly NoiseFrame[]): NoiseMeasure {
  const samples = samplesOf(frames);
  const channels = byChannel(samples);
  const noiseDbm = median([...channels.values()]);
  return {
    noiseDbm,
    overThermalDb: noiseDbm === null ? null : noiseDbm - thermalNoiseDbm(BANDWIDTH_HZ, 0),
    channels: channels.size,
    frames: samples.length,
  };
}

/** By how much the SNR on a channel is better than on all of them together, dB, from its noise; empty with one channel. */
export function channelShiftsDb(frames: readonly NoiseFrame[]): Map<number, number> {
  const channels = byChannel(samplesOf(frames));
  const mean = [...channels.values()].reduce((sum, one) => sum + one, 0) / Math.max(1, channels.size);
  return channels.size < 2
    ? new Map()
    : new Map([...channels].map(([frequencyHz, noiseDbm]) => [frequencyHz, mean - noiseDbm]));
}

/**
 * Noise of one gateway minus that of another, channel by channel and stretch by stretch (Hodges and Lehmann 1963, with
 * their interval); null when too few cells were measured by both.
 */
export function noiseDifference(
  own: readonly NoiseFrame[],
  other: readonly NoiseFrame[],
  { fromUs, toUs }: { readonly fromUs: number; readonly toUs: number },
): NoiseDifference | null {
  const stretchUs = Math.max(1, (toUs - fromUs) / STRETCHES);
  const cellOf = ({ atUs, frequencyHz }: Sample) =>
    frequencyHz * STRETCHES + Math.min(STRETCHES - 1, Math.max(0, Math.floor((atUs - fromUs) / stretchUs)));
  const ofOwn = mediansOf(samplesOf(own), cellOf, MIN_A_CELL);
  const ofOther = mediansOf(samplesOf(other), cellOf, MIN_A_CELL);
  const differences = [...ofOwn].flatMap(([cell, noiseDbm]) => {
    const beside = ofOther.get(cell);
    return beside === undefined ? [] : [noiseDbm - beside];
  });
  if (differences.length < MIN_CELLS) return null;
  const { estimate, low, high } = hodgesLehmann(differences);
  if (estimate === null || low === null || high === null) return null;
  return { differenceDb: estimate, lowDb: low, highDb: high, cells: differences.length };
}
