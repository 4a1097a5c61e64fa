/**
 * How wide is an interval when the spread itself was estimated from few values? Student's t and chi-square quantiles.
 */
import chiSquareCdf from "@stdlib/stats-base-dists-chisquare-cdf";
import { gammaln } from "simple-statistics";

/** P(T <= t) with so many degrees of freedom. Abramowitz and Stegun 26.7.1 by the incomplete beta function, 26.5.8 (continued fraction; from memory). */
export function studentCdf(t: number, degrees: number): number {
  const tail = 0.5 * incompleteBeta(degrees / (degrees + t * t), degrees / 2, 0.5);
  return t > 0 ? 1 - tail : tail;
}

/** t of a two-sided interval: 2.228 for 0.95 and 10 degrees of freedom. */
export function studentT(confidence: number, degrees: number): number {
  return rootOf((t) => studentCdf(t, degrees) - (0.5 + confidence / 2), 0, 1e4);
}

/** x with P(X² <= x) = p. */
export function chiSquareQuantile(p: number, degrees: number): number {
  return rootOf((x) => chiSquareCdf(x, degrees) - p, 0, degrees * 20 + 200);
}

/** Where a rising function crosses 0, by halving. */
function rootOf(rising: (x: number) => number, from: number, to: number): number {
  let low = from;
  let high = to;
  for (let round = 0; round < 200 && high - low > 1e-12 * Math.max(1, high); round += 1) {
    const middle = (low + high) / 2;
    if (rising(middle) < 0) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

function incompleteBeta(x: number, a: number, b: number): number {
  if (x <= 0) return 0;
  if (x >= 1) return 1;
  const front = Math.exp(gammaln(a + b) - gammaln(a) - gammaln(b) + a * Math.log(x) + b * Math.log(1 - x));
  return x < (a + 1) / (a + b + 2)
    ? (front * fraction(x, a, b)) / a
    : 1 - (front * fraction(1 - x, b, a)) / b;
}

/** Lentz's way through the continued fraction. */
function fraction(x: number, a: number, b: number): number {
  const tiny = 1e-300;
  let c = 1;
  let d = 1 / nonzero(1 - ((a + b) * x) / (a + 1), tiny);
  let value = d;
  for (let m = 1; m <= 500; m += 1) {
    for (const term of [
      (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m)),
      (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1)),
    ]) {
      d = 1 / nonzero(1 + term * d, tiny);
      c = nonzero(1 + term / c, tiny);
      value *= d * c;
    }
    if (Math.abs(d * c - 1) < 1e-15) break;
  }
  return value;
}

function nonzero(value: number, tiny: number): number {
  return Math.abs(value) < tiny ? tiny : value;
}
