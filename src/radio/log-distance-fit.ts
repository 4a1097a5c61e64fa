/** How fast does the loss of a site's links grow with distance, and how far do they scatter about that? */
import { fitLine } from "../statistics/least-squares.ts";

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
export const LEAST_LINKS = 5;
export const LEAST_FACTOR = 3;

/** Log-distance model with shadowing (Rappaport, Wireless Communications, section 4.9, from memory) by least squares; null when there is not enough. */
export function fitLogDistance(links: readonly LossAt[]): LogDistanceFit | null {
  const usable = links.filter(({ distanceM, lossDb }) => distanceM > 0 && Number.isFinite(lossDb));
  const distances = usable.map(({ distanceM }) => distanceM);
  const fromM = Math.min(...distances);
  const toM = Math.max(...distances);
  if (usable.length < LEAST_LINKS || toM < LEAST_FACTOR * fromM) return null;
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
