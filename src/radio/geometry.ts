/**
 * How much does a radio path lose by simple models? For comparison with what was measured, never to predict coverage.
 */
import { fitLine } from "../statistics/theil-sen.ts";

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

/** Log-distance loss in dB, decimal logarithm. Holds only within the range in which the model was measured. */
export function logDistanceLossDb(distanceM: number, model: LogDistanceModel): number {
  return model.referenceLossDb + 10 * model.exponent * Math.log10(distanceM / model.referenceDistanceM);
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

// How fast does the loss of a site's links grow with distance, and how far do they scatter about that?

export interface LossAt {
  readonly distanceM: number;
  readonly lossDb: number;
}

export interface LogDistanceFit {
  readonly links: number;
  /** n of loss = PL0 + 10 n log10(d / d0): 2 in free space. */
  readonly exponent: number;
  readonly exponentInterval95: [number, number];
  /** d0: the geometric mean of the distances, where PL0 is known best. */
  readonly referenceDistanceM: number;
  readonly referenceLossDb: number;
  readonly referenceLossInterval95: [number, number];
  readonly sigmaDb: number;
  readonly sigmaInterval95: [number, number];
  readonly fromM: number;
  readonly toM: number;
}

/** Fewer links, or distances that differ by less than this factor, tell no exponent (chosen). */
export const MIN_LINKS = 5;
export const MIN_FACTOR = 3;

/** Log-distance model with shadowing (Rappaport, Wireless Communications, section 4.9, from memory) by least squares; null when there is not enough. */
export function fitLogDistance(links: readonly LossAt[]): LogDistanceFit | null {
  const usable = links.filter(({ distanceM, lossDb }) => distanceM > 0 && Number.isFinite(lossDb));
  const distances = usable.map(({ distanceM }) => distanceM);
  const fromM = Math.min(...distances);
  const toM = Math.max(...distances);
  if (usable.length < MIN_LINKS || toM < MIN_FACTOR * fromM) return null;
  const middle = distances.reduce((sum, distance) => sum + Math.log10(distance), 0) / distances.length;
  const fit = fitLine(
    usable.map(({ distanceM, lossDb }) => ({ x: 10 * (Math.log10(distanceM) - middle), y: lossDb })),
  );
  if (fit === null) return null;
  return {
    links: usable.length,
    exponent: fit.slope,
    exponentInterval95: [...fit.slopeInterval],
    referenceDistanceM: 10 ** middle,
    referenceLossDb: fit.intercept,
    referenceLossInterval95: [...fit.interceptInterval],
    sigmaDb: fit.sigma,
    sigmaInterval95: [...fit.sigmaInterval],
    fromM,
    toM,
  };
}

// How far apart are two places on the earth?

/** Degrees, north and east positive. */
export interface Place {
  readonly latitudeDeg: number;
  readonly longitudeDeg: number;
}

/** Mean radius of the earth, metres. IUGG 1980 (R1). */
export const EARTH_MEAN_RADIUS_M = 6_371_008.8;

// WGS 84, NIMA TR8350.2 table 3.1: semi-major axis in metres and flattening (from memory).
const WGS84_A_M = 6_378_137;
const WGS84_F = 1 / 298.257223563;

/** Great-circle distance on a sphere, metres: within 0.5 % of the ellipsoid. Haversine formula. */
export function haversineM(from: Place, to: Place, radiusM = EARTH_MEAN_RADIUS_M): number {
  const phi1 = radians(from.latitudeDeg);
  const phi2 = radians(to.latitudeDeg);
  const h =
    Math.sin((phi2 - phi1) / 2) ** 2 +
    Math.cos(phi1) * Math.cos(phi2) * Math.sin(radians(to.longitudeDeg - from.longitudeDeg) / 2) ** 2;
  return 2 * radiusM * Math.asin(Math.min(1, Math.sqrt(h)));
}

/**
 * Distance on the WGS 84 ellipsoid, metres, good to a millimetre; null for nearly opposite places, where the
 * iteration does not settle. T. Vincenty, "Direct and Inverse Solutions of Geodesics on the Ellipsoid", Survey
 * Review XXIII, 176 (1975), equations 13 to 19.
 */
export function geodesicM(from: Place, to: Place): number | null {
  const b = WGS84_A_M * (1 - WGS84_F);
  const u1 = Math.atan((1 - WGS84_F) * Math.tan(radians(from.latitudeDeg)));
  const u2 = Math.atan((1 - WGS84_F) * Math.tan(radians(to.latitudeDeg)));
  const l = radians(to.longitudeDeg - from.longitudeDeg);
  const [sinU1, cosU1, sinU2, cosU2] = [Math.sin(u1), Math.cos(u1), Math.sin(u2), Math.cos(u2)];
  let lambda = l;
  for (let round = 0; round < 200; round += 1) {
    const sinLambda = Math.sin(lambda);
    const cosLambda = Math.cos(lambda);
    const sinSigma = Math.hypot(cosU2 * sinLambda, cosU1 * sinU2 - sinU1 * cosU2 * cosLambda);
    if (sinSigma === 0) {
      return 0;
    }
    const cosSigma = sinU1 * sinU2 + cosU1 * cosU2 * cosLambda;
    const sigma = Math.atan2(sinSigma, cosSigma);
    const sinAlpha = (cosU1 * cosU2 * sinLambda) / sinSigma;
    const cos2Alpha = 1 - sinAlpha ** 2;
    // Along the equator cos2Alpha is 0 and the term vanishes.
    const cos2SigmaM = cos2Alpha === 0 ? 0 : cosSigma - (2 * sinU1 * sinU2) / cos2Alpha;
    const c = (WGS84_F / 16) * cos2Alpha * (4 + WGS84_F * (4 - 3 * cos2Alpha));
    const previous = lambda;
    lambda =
      l +
      (1 - c) *
        WGS84_F *
        sinAlpha *
        (sigma + c * sinSigma * (cos2SigmaM + c * cosSigma * (2 * cos2SigmaM ** 2 - 1)));
    if (Math.abs(lambda - previous) < 1e-13) {
      const k = (cos2Alpha * (WGS84_A_M ** 2 - b ** 2)) / b ** 2;
      const bigA = 1 + (k / 16_384) * (4096 + k * (-768 + k * (320 - 175 * k)));
      const bigB = (k / 1024) * (256 + k * (-128 + k * (74 - 47 * k)));
      const delta =
        bigB *
        sinSigma *
        (cos2SigmaM +
          (bigB / 4) *
            (cosSigma * (2 * cos2SigmaM ** 2 - 1) -
              (bigB / 6) * cos2SigmaM * (4 * sinSigma ** 2 - 3) * (4 * cos2SigmaM ** 2 - 3)));
      return b * bigA * (sigma - delta);
    }
  }
  return null;
}

function radians(degrees: number): number {
  return (degrees * Math.PI) / 180;
}

// Where do things lie on a flat plan, in metres east and north, when some are given in degrees and some in metres?

interface GivenPlace {
  readonly latitudeDeg: number | null;
  readonly longitudeDeg: number | null;
  readonly eastM: number | null;
  readonly northM: number | null;
}

interface PlanPoint {
  readonly eastM: number;
  readonly northM: number;
}

/** What ties degrees to metres: a place and where it lies on the plan. */
export interface Anchor {
  readonly place: Place;
  readonly at: PlanPoint;
}

/**
 * The first thing that is known both in degrees and in metres; else, when nothing is given in metres, the middle of
 * all degrees at 0, 0. Null when degrees and metres have nothing in common, or there are no degrees.
 */
export function anchorOf(given: readonly GivenPlace[]): Anchor | null {
  for (const one of given) {
    const place = placeOf(one);
    const at = pointOf(one);
    if (place !== null && at !== null) return { place, at };
  }
  const places = given.flatMap((one) => placeOf(one) ?? []);
  const first = places[0];
  if (first === undefined || given.some((one) => pointOf(one) !== null)) return null;
  const middle = (pick: (place: Place) => number) =>
    (Math.min(...places.map(pick)) + Math.max(...places.map(pick))) / 2;
  return {
    place: { latitudeDeg: middle((p) => p.latitudeDeg), longitudeDeg: middle((p) => p.longitudeDeg) },
    at: { eastM: 0, northM: 0 },
  };
}

/** On the plan: as given in metres, else by the anchor; null when neither is possible. */
export function planPoint(one: GivenPlace, anchor: Anchor | null): PlanPoint | null {
  const at = pointOf(one);
  if (at !== null) return at;
  const place = placeOf(one);
  if (place === null || anchor === null) return null;
  const { latitudeDeg, longitudeDeg } = anchor.place;
  // Legs of the flat plan: along the meridian, and along the parallel at the middle latitude.
  const north = metresBetween(anchor.place, { latitudeDeg: place.latitudeDeg, longitudeDeg });
  const middle = (latitudeDeg + place.latitudeDeg) / 2;
  const east = metresBetween(
    { latitudeDeg: middle, longitudeDeg },
    { latitudeDeg: middle, longitudeDeg: place.longitudeDeg },
  );
  return {
    eastM: anchor.at.eastM + Math.sign(turn(place.longitudeDeg - longitudeDeg)) * east,
    northM: anchor.at.northM + Math.sign(place.latitudeDeg - latitudeDeg) * north,
  };
}

/** Straight distance in metres: on the ellipsoid where both are known in degrees, else on the plan; heights included where both are known. */
export function linkDistanceM(
  a: GivenPlace & { readonly heightM: number | null },
  b: GivenPlace & { readonly heightM: number | null },
  anchor: Anchor | null,
): number | null {
  const [from, to] = [placeOf(a), placeOf(b)];
  let flat: number | null = null;
  if (from !== null && to !== null) flat = metresBetween(from, to);
  else {
    const [p, q] = [planPoint(a, anchor), planPoint(b, anchor)];
    flat = p === null || q === null ? null : Math.hypot(p.eastM - q.eastM, p.northM - q.northM);
  }
  if (flat === null) return null;
  return a.heightM === null || b.heightM === null ? flat : Math.hypot(flat, a.heightM - b.heightM);
}

function metresBetween(from: Place, to: Place): number {
  return geodesicM(from, to) ?? haversineM(from, to);
}

function placeOf({ latitudeDeg, longitudeDeg }: GivenPlace): Place | null {
  return latitudeDeg === null || longitudeDeg === null ? null : { latitudeDeg, longitudeDeg };
}

function pointOf({ eastM, northM }: GivenPlace): PlanPoint | null {
  return eastM === null || northM === null ? null : { eastM, northM };
}

/** The short way round, −180 to 180 degrees. */
function turn(degrees: number): number {
  return ((degrees + 540) % 360) - 180;
}
