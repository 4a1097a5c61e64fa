/**
 * Which straight line lies closest to the points, and how sure are its slope, its height and the scatter about it?
 */
import { chiSquareQuantile, studentT } from "./student.ts";

export interface LineFit {
  readonly slope: number;
  readonly intercept: number;
  readonly slopeError: number;
  readonly interceptError: number;
  /** Residual standard deviation, n − 2 degrees of freedom. */
  readonly sigma: number;
  readonly slopeInterval: readonly [number, number];
  readonly interceptInterval: readonly [number, number];
  readonly sigmaInterval: readonly [number, number];
  readonly count: number;
}

/**
 * Ordinary least squares with intervals by Student's t and chi-square; null with fewer than 3 points or a single x.
 * NIST/SEMATECH e-Handbook 4.4.3.1 and 4.4.4; assumes independent residuals of one spread.
 */
export function fitLine(
  points: readonly { readonly x: number; readonly y: number }[],
  confidence = 0.95,
): LineFit | null {
  const n = points.length;
  if (n < 3) return null;
  const meanX = points.reduce((sum, { x }) => sum + x, 0) / n;
  const meanY = points.reduce((sum, { y }) => sum + y, 0) / n;
  let xx = 0;
  let xy = 0;
  for (const { x, y } of points) {
    xx += (x - meanX) ** 2;
    xy += (x - meanX) * (y - meanY);
  }
  if (xx === 0) return null;
  const slope = xy / xx;
  const intercept = meanY - slope * meanX;
  const squares = points.reduce((sum, { x, y }) => sum + (y - intercept - slope * x) ** 2, 0);
  const degrees = n - 2;
  const sigma = Math.sqrt(squares / degrees);
  const slopeError = sigma / Math.sqrt(xx);
  const interceptError = sigma * Math.sqrt(1 / n + meanX ** 2 / xx);
  const t = studentT(confidence, degrees);
  const rest = (1 - confidence) / 2;
  return {
    slope,
    intercept,
    slopeError,
    interceptError,
    sigma,
    slopeInterval: [slope - t * slopeError, slope + t * slopeError],
    interceptInterval: [intercept - t * interceptError, intercept + t * interceptError],
    sigmaInterval: [
      Math.sqrt(squares / chiSquareQuantile(1 - rest, degrees)),
      Math.sqrt(squares / chiSquareQuantile(rest, degrees)),
    ],
    count: n,
  };
}
