/**
 * Does a gateway get a frame, and what does it say of it? The physics of one reception, in pure functions: the
 * demodulator's knee, capture between overlapping frames, and the figures that a concentrator reports.
 * Simple on purpose: no timing within the preamble, no coupling between neighbouring channels.
 */
import { CAPTURE_GOURSAUD_2015 } from "../radio/capture-effect.ts";
import { demodulationFloorDb } from "../radio/demodulation-floor.ts";
import { normal, type Random } from "./random.ts";

// Common practice, no source: frames come through down to 2 or 3 dB below the data sheet's floor, and some are lost
// up to 5 dB above it. A logistic knee of this width has 2 % of frames at 3 dB below and loses 2 % at 3 dB above.
const KNEE_WIDTH_DB = 0.75;
// Common practice, no source: preamble and header, at coding rate 4/8, outlive the payload by 1 to 2 dB.
const HEADER_ADVANTAGE_DB = 1.5;

/** Chance that a frame's payload is read without error. `marginDb`: SNR minus demodulation floor. */
export function deliveryProbability(marginDb: number): number {
  return 1 / (1 + Math.exp(-marginDb / KNEE_WIDTH_DB));
}

/** Chance that the demodulator locks and reads the header; never below `deliveryProbability`. */
export function detectionProbability(marginDb: number): number {
  return deliveryProbability(marginDb + HEADER_ADVANTAGE_DB);
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
): boolean {
  const spreadingFactors = new Set(interferers.map((frame) => frame.spreadingFactor));
  return [...spreadingFactors].every((other) => {
    const powers = interferers.filter((frame) => frame.spreadingFactor === other);
    const ratioDb = signalDbm - sumPowersDbm(powers.map(({ powerDbm }) => powerDbm));
    return ratioDb >= (CAPTURE_GOURSAUD_2015[spreadingFactor - 7]?.[other - 7] ?? 6);
  });
}

// Common practice, no source: the SNR estimator of concentrators stops rising at +10 to +14 dB.
const SNR_CEILING_DB = 12;
const SNR_BEND_DB = 1.2;
// Chosen: the estimator's scatter from frame to frame.
const SNR_SCATTER_DB = 0.4;
const RSSI_SCATTER_DB = 0.4;

/** The SNR that a concentrator reports for a true one, dB: saturated softly near +12 dB, in steps of 0.25 dB. */
export function reportedSnrDb(snrDb: number, scatterDb: number): number {
  const bent =
    snrDb > 40
      ? SNR_CEILING_DB
      : -SNR_BEND_DB * Math.log(Math.exp(-snrDb / SNR_BEND_DB) + Math.exp(-SNR_CEILING_DB / SNR_BEND_DB));
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

/** What a concentrator reports of a frame; takes the same number of draws for every frame. */
export function reportSignal(
  signalDbm: number,
  noiseDbm: number,
  interferenceDbm: readonly number[],
  random: Random,
): ReportedSignal {
  const rssiScatterDb = RSSI_SCATTER_DB * normal(random);
  const snrScatterDb = SNR_SCATTER_DB * normal(random);
  // The despread estimate sees interference as noise only in part; what survives capture leaves it as it was.
  return {
    rssiDbm: Math.round(sumPowersDbm([signalDbm, noiseDbm, ...interferenceDbm]) + rssiScatterDb),
    signalRssiDbm: Math.round(signalDbm + rssiScatterDb),
    snrDb: reportedSnrDb(signalDbm - noiseDbm, snrScatterDb),
  };
}
