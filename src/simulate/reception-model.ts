/**
 * Does a gateway get a frame, and what does it say of it? The physics of one reception, in pure functions: the
 * demodulator's knee, capture between overlapping frames, and the figures that a concentrator reports.
 * Simple on purpose: no coupling between neighbouring channels. A scenario's `physics` may set other values.
 */
import { CAPTURE_GOURSAUD_2015 } from "../radio/collisions.ts";
import { demodulationFloorDb } from "../radio/margin.ts";
import { normal, type Random } from "./random.ts";
import type { Physics } from "./scenario.ts";

// Common practice, no source: frames come through down to 2 or 3 dB below the data sheet's floor, and some are lost
// up to 5 dB above it. A logistic knee of this width has 2 % of frames at 3 dB below and loses 2 % at 3 dB above.
const KNEE_WIDTH_DB = 0.75;
// Common practice, no source: preamble and header, at coding rate 4/8, outlive the payload by 1 to 2 dB.
const HEADER_ADVANTAGE_DB = 1.5;

/** Chance that a frame's payload is read without error. `marginDb`: SNR minus demodulation floor. */
export function deliveryProbability(marginDb: number, kneeWidthDb = KNEE_WIDTH_DB): number {
  return 1 / (1 + Math.exp(-marginDb / kneeWidthDb));
}

/** Chance that the demodulator locks and reads the header; never below `deliveryProbability`. */
export function detectionProbability(
  marginDb: number,
  kneeWidthDb = KNEE_WIDTH_DB,
  headerAdvantageDb = HEADER_ADVANTAGE_DB,
): number {
  return deliveryProbability(marginDb + headerAdvantageDb, kneeWidthDb);
}

/** SNR minus the demodulation floor of a spreading factor, dB. Above SF12 and below SF5 nothing is heard. */
export function marginDb(snrDb: number, spreadingFactor: number): number {
  const floorDb = demodulationFloorDb(spreadingFactor);
  return floorDb === null ? Number.NEGATIVE_INFINITY : snrDb - floorDb;
}

/** Sum of powers in dBm; minus infinity for none. */
export function sumPowersDbm(powersDbm: readonly number[]): number {
  return 10 * Math.log10(powersDbm.reduce((sum, power) => sum + 10 ** (power / 10), 0));
}

/**
 * Whether a frame survives what overlaps with it on its channel, by the table of Goursaud and Gorce 2015: 6 dB above
 * all frames of its own spreading factor together, and above others by what that spreading factor asks.
 */
export function survivesInterference(
  signalDbm: number,
  spreadingFactor: number,
  interferers: readonly { readonly spreadingFactor: number; readonly powerDbm: number }[],
  captureDb = 6,
): boolean {
  const spreadingFactors = new Set(interferers.map((frame) => frame.spreadingFactor));
  return [...spreadingFactors].every((other) => {
    const powers = interferers.filter((frame) => frame.spreadingFactor === other);
    const ratioDb = signalDbm - sumPowersDbm(powers.map(({ powerDbm }) => powerDbm));
    if (other === spreadingFactor) return ratioDb >= captureDb;
    return ratioDb >= (CAPTURE_GOURSAUD_2015[spreadingFactor - 7]?.[other - 7] ?? 6);
  });
}

/** A frame on the air, for the question of who locks first. */
export interface Timed {
  readonly startUs: number;
  readonly endUs: number;
  readonly spreadingFactor: number;
  readonly powerDbm: number;
}

// Bor et al. 2016 (from memory): five symbols of preamble are enough to lock; before them nothing is harmed.
const SYMBOLS_BEFORE_LOCK = 8 - 5;

/**
 * What of the overlapping frames matters with timed capture: null when an earlier frame of the same spreading factor holds the
 * demodulator, so that this one is lost whatever its power; else those that overlap more than the preamble's beginning.
 */
export function contendersFor(
  frame: Timed,
  bandwidthHz: number,
  others: readonly Timed[],
): readonly Timed[] | null {
  const lockUs = (SYMBOLS_BEFORE_LOCK * 2 ** frame.spreadingFactor * 1e6) / bandwidthHz;
  const harmful = others.filter(({ endUs }) => endUs > frame.startUs + lockUs);
  const holds = harmful.some(
    ({ spreadingFactor, startUs }) =>
      spreadingFactor === frame.spreadingFactor && startUs + lockUs < frame.startUs,
  );
  return holds ? null : harmful;
}

// Common practice, no source: the SNR estimator of concentrators stops rising at +10 to +14 dB.
const SNR_CEILING_DB = 12;
const SNR_BEND_DB = 1.2;
// Chosen: the estimator's scatter from frame to frame.
const REPORT_SCATTER_DB = 0.4;

/** The SNR that a concentrator reports for a true one, dB: saturated softly near +12 dB, in steps of 0.25 dB. */
export function reportedSnrDb(snrDb: number, scatterDb: number, ceilingDb = SNR_CEILING_DB): number {
  const bent =
    snrDb > 40
      ? ceilingDb
      : -SNR_BEND_DB * Math.log(Math.exp(-snrDb / SNR_BEND_DB) + Math.exp(-ceilingDb / SNR_BEND_DB));
  // SX1302 HAL: the register counts quarters of a dB.
  return Math.round((bent + scatterDb) * 4) / 4;
}

export interface ReportedSignal {
  /** Power in the channel: signal, noise and interference, whole dBm. */
  readonly rssiDbm: number;
  /** Power of the signal alone, whole dBm. */
  readonly signalRssiDbm: number;
  readonly snrDb: number;
}

/** What one antenna made of a transmission. */
export interface AntennaReception {
  readonly antenna: number;
  readonly crc: "ok" | "bad";
  readonly signal: ReportedSignal;
  readonly frequencyOffsetHz: number;
}

/** What a concentrator reports of a frame; takes the same number of draws for every frame. */
export function reportSignal(
  signalDbm: number,
  noiseDbm: number,
  interferenceDbm: readonly number[],
  random: Random,
  { snrCeilingDb, reportScatterDb }: Pick<Physics, "snrCeilingDb" | "reportScatterDb"> = {
    snrCeilingDb: SNR_CEILING_DB,
    reportScatterDb: REPORT_SCATTER_DB,
  },
): ReportedSignal {
  const rssiScatterDb = reportScatterDb * normal(random);
  const snrScatterDb = reportScatterDb * normal(random);
  // The despread estimate sees interference as noise only in part; what survives capture leaves it as it was.
  return {
    rssiDbm: Math.round(sumPowersDbm([signalDbm, noiseDbm, ...interferenceDbm]) + rssiScatterDb),
    signalRssiDbm: Math.round(signalDbm + rssiScatterDb),
    snrDb: reportedSnrDb(signalDbm - noiseDbm, snrScatterDb, snrCeilingDb),
  };
}
