/**
 * How much does a radio path lose by simple models? For comparison with what was measured, never to predict coverage.
 */

/** Metres per second, exact by definition of the metre. */
export const SPEED_OF_LIGHT_M_PER_S = 299_792_458;

/** Free-space loss in dB: 20 log10(4 pi d / lambda), ITU-R P.525 (from memory). Far field, first Fresnel zone clear. */
export function freeSpaceLossDb(distanceM: number, frequencyHz: number): number {
  return 20 * Math.log10((4 * Math.PI * distanceM * frequencyHz) / SPEED_OF_LIGHT_M_PER_S);
}

export interface LogDistanceModel {
  /** Loss at the reference distance, dB. */
  readonly referenceLossDb: number;
  readonly referenceDistanceM: number;
  readonly exponent: number;
}

/** Petäjäjärvi et al. 2015: Oulu, 868 MHz, car, coefficients as read in a public simulator. */
export const LOG_DISTANCE_OULU: LogDistanceModel = {
  referenceLossDb: 128.95,
  referenceDistanceM: 1000,
  exponent: 2.32,
};
/** Bor et al. 2016: Lancaster, built-up, coefficients as read in a public simulator. */
export const LOG_DISTANCE_LANCASTER: LogDistanceModel = {
  referenceLossDb: 127.41,
  referenceDistanceM: 40,
  exponent: 2.08,
};

/** Log-distance loss in dB, decimal logarithm. Holds only within the range in which the model was measured. */
export function logDistanceLossDb(distanceM: number, model: LogDistanceModel): number {
  return model.referenceLossDb + 10 * model.exponent * Math.log10(distanceM / model.referenceDistanceM);
}

export type HataEnvironment = "urban-small" | "urban-large" | "suburban" | "open";

export interface HataInput {
  readonly distanceM: number;
  readonly frequencyHz: number;
  readonly baseHeightM: number;
  readonly mobileHeightM: number;
  readonly environment: HataEnvironment;
}

/**
 * Hata 1980: median loss in dB, and whether the question lies in the model's domain (150 to 1500 MHz, base 30 to 200 m,
 * mobile 1 to 10 m, 1 to 20 km). Most LoRa gateways sit below 30 m, outside it.
 */
export function hataLoss(input: HataInput): { readonly lossDb: number; readonly inDomain: boolean } {
  const mhz = input.frequencyHz / 1e6;
  const km = input.distanceM / 1000;
  const { baseHeightM: hb, mobileHeightM: hm } = input;
  const logF = Math.log10(mhz);
  const mobile =
    input.environment === "urban-large"
      ? 3.2 * Math.log10(11.75 * hm) ** 2 - 4.97
      : (1.1 * logF - 0.7) * hm - (1.56 * logF - 0.8);
  const urban =
    69.55 + 26.16 * logF - 13.82 * Math.log10(hb) - mobile + (44.9 - 6.55 * Math.log10(hb)) * Math.log10(km);
  let lossDb = urban;
  if (input.environment === "suburban") {
    lossDb = urban - 2 * Math.log10(mhz / 28) ** 2 - 5.4;
  } else if (input.environment === "open") {
    lossDb = urban - 4.78 * logF ** 2 + 18.33 * logF - 40.94;
  }
  const inDomain =
    mhz >= 150 && mhz <= 1500 && hb >= 30 && hb <= 200 && hm >= 1 && hm <= 10 && km >= 1 && km <= 20;
  return { lossDb, inDomain };
}

/** Radius of the n-th Fresnel zone at a point of the path, metres. ITU-R P.526 (from memory); 60 % of the first should be clear. */
export function fresnelRadiusM(
  distanceFromAM: number,
  distanceFromBM: number,
  frequencyHz: number,
  zone = 1,
): number {
  const wavelengthM = SPEED_OF_LIGHT_M_PER_S / frequencyHz;
  return Math.sqrt(
    (zone * wavelengthM * distanceFromAM * distanceFromBM) / (distanceFromAM + distanceFromBM),
  );
}

/** Measured loss beyond free space, dB: what walls, trees and ground took. Powers in dBm, gains in dBi. */
export function excessLossDb(
  link: {
    readonly transmitPowerDbm: number;
    readonly antennaGainsDbi: number;
    readonly signalPowerDbm: number;
  },
  distanceM: number,
  frequencyHz: number,
): number {
  return (
    link.transmitPowerDbm +
    link.antennaGainsDbi -
    link.signalPowerDbm -
    freeSpaceLossDb(distanceM, frequencyHz)
  );
}
