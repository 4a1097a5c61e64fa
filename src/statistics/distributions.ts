/**
 * Tail probabilities and quantiles of the normal distribution, with full precision far out.
 */
import chiSquareCdf from "@stdlib/stats-base-dists-chisquare-cdf";
import cdf from "@stdlib/stats-base-dists-normal-cdf";
import quantileOf from "@stdlib/stats-base-dists-normal-quantile";

/** P(Z <= z) of the standard normal distribution. */
export function normalCdf(z: number): number {
  return cdf(z, 0, 1);
}

/** Density of the standard normal distribution. */
export function normalDensity(z: number): number {
  return Math.exp((-z * z) / 2) / Math.sqrt(2 * Math.PI);
}

/** P(|Z| >= |z|): two-sided p-value of a z score. */
export function twoSidedP(z: number): number {
  return Math.min(1, 2 * cdf(-Math.abs(z), 0, 1));
}

/** z with P(Z <= z) = p, for p above 0 and below 1. */
export function normalQuantile(p: number): number {
  return quantileOf(p, 0, 1);
}

/** z of a two-sided interval: 1.959964 for confidence 0.95. */
export function intervalZ(confidence: number): number {
  return quantileOf(0.5 + confidence / 2, 0, 1);
}

/** P(|T| >= |t|). */
export function studentTwoSidedP(t: number, degrees: number): number {
  return Math.min(1, incompleteBeta(degrees / (degrees + t * t), degrees / 2, 0.5));
}

/** t of a two-sided interval: 2.228 for confidence 0.95 and 10 degrees of freedom. By bisection, to 1e-12. */
export function intervalT(confidence: number, degrees: number): number {
  // Many intervals of one answer share their degrees.
  if (lastT.confidence !== confidence || lastT.degrees !== degrees)
    lastT = { confidence, degrees, t: soughtT(confidence, degrees) };
  return lastT.t;
}

let lastT = { confidence: 0, degrees: 0, t: 0 };

function soughtT(confidence: number, degrees: number): number {
  let low = 0;
  let high = 2;
  while (studentTwoSidedP(high, degrees) > 1 - confidence && high < 1e9) high *= 2;
  while (high - low > 1e-12 * high) {
    const middle = (low + high) / 2;
    if (studentTwoSidedP(middle, degrees) > 1 - confidence) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/** x with P(X² <= x) = p, for p above 0 and below 1. By bisection, to 1e-12. */
export function chiSquareQuantile(p: number, degrees: number): number {
  let low = 0;
  let high = degrees * 20 + 200;
  while (high - low > 1e-12 * high) {
    const middle = (low + high) / 2;
    if (chiSquareCdf(middle, degrees) < p) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/** Regularised incomplete beta function I_x(a, b). */
function incompleteBeta(x: number, a: number, b: number): number {
  if (x <= 0) return 0;
  if (x >= 1) return 1;
  const front = Math.exp(logGamma(a + b) - logGamma(a) - logGamma(b) + a * Math.log(x) + b * Math.log1p(-x));
  // The fraction converges quickly on this side of the mean only; I_x(a, b) = 1 - I_(1-x)(b, a).
  return x < (a + 1) / (a + b + 2)
    ? (front * fraction(x, a, b)) / a
    : 1 - (front * fraction(1 - x, b, a)) / b;
}

const MAX_TERMS = 300;
const TINY = 1e-300;

/** Lentz's evaluation of the continued fraction 26.5.8. */
function fraction(x: number, a: number, b: number): number {
  const kept = (value: number) => (Math.abs(value) < TINY ? TINY : value);
  let c = 1;
  let d = 1 / kept(1 - ((a + b) * x) / (a + 1));
  let product = d;
  for (let m = 1; m <= MAX_TERMS; m++) {
    const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
    d = 1 / kept(1 + even * d);
    c = kept(1 + even / c);
    product *= d * c;
    const odd = (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1));
    d = 1 / kept(1 + odd * d);
    c = kept(1 + odd / c);
    const step = d * c;
    product *= step;
    if (Math.abs(step - 1) < 1e-14) break;
  }
  return product;
}

// Stirling's series, Abramowitz and Stegun 6.1.41, after raising the argument above 10 (6.1.15).
function logGamma(x: number): number {
  let shift = 0;
  let z = x;
  while (z < 10) {
    shift += Math.log(z);
    z += 1;
  }
  const series = 1 / (12 * z) - 1 / (360 * z ** 3) + 1 / (1260 * z ** 5) - 1 / (1680 * z ** 7);
  return (z - 0.5) * Math.log(z) - z + Math.log(2 * Math.PI) / 2 + series - shift;
}

// How likely do two correlated readings both lie below their limits?

// Gauss and Legendre's rule with 20 points, abscissas and weights of the positive half (Abramowitz and Stegun, table 25.4).
const POINTS = Float64Array.from([
  0.0765265211334973, 0.1527533871307258, 0.2277858511416451, 0.1491729864726037, 0.37370608871541955,
  0.142096109318382, 0.5108670019508271, 0.1316886384491766, 0.636053680726515, 0.1181945319615184,
  0.7463319064601508, 0.1019301198172404, 0.8391169718222188, 0.0832767415767048, 0.912234428251326,
  0.0626720483341091, 0.9639719272779138, 0.0406014298003869, 0.9931285991850949, 0.0176140071391521,
]);

/**
 * P(X <= h and Y <= k) of two standard normal variables with correlation `rho`, to about 1e-7 up to |rho| 0.98.
 * Genz, Statistics and Computing 14 (2004) 251-260, equation 3 (Plackett's integral over the correlation, by asin).
 */
export function bivariateNormalCdf(h: number, k: number, rho: number): number {
  const base = normalCdf(h) * normalCdf(k);
  if (rho === 0 || !Number.isFinite(h) || !Number.isFinite(k)) return base;
  const half = Math.asin(Math.max(-1, Math.min(1, rho))) / 2;
  const squares = (h * h + k * k) / 2;
  const product = h * k;
  let sum = 0;
  for (let i = 0; i < POINTS.length; i += 2) {
    const x = POINTS[i] ?? 0;
    const up = Math.sin(half * (1 + x));
    const down = Math.sin(half * (1 - x));
    sum +=
      (POINTS[i + 1] ?? 0) *
      (Math.exp((up * product - squares) / (1 - up * up)) +
        Math.exp((down * product - squares) / (1 - down * down)));
  }
  return Math.max(0, Math.min(1, base + (sum * half) / (2 * Math.PI)));
}

/** Slopes of `bivariateNormalCdf` by h, k and rho (Plackett, Biometrika 41 (1954) 351-360: the last is the density). */
export function bivariateNormalSlopes(h: number, k: number, rho: number): readonly [number, number, number] {
  const rest = Math.sqrt(1 - rho * rho);
  const density = Math.exp((2 * rho * h * k - h * h - k * k) / (2 * rest * rest)) / (2 * Math.PI * rest);
  return [
    normalDensity(h) * normalCdf((k - rho * h) / rest),
    normalDensity(k) * normalCdf((h - rho * k) / rest),
    density,
  ];
}

/**
 * How likely is it that the next of some intervals is so long by itself? `intervals`: those before, in any order, in one
 * unit; 1 where none is known. The lesser of two: by rank, of n + 1 intervals the next is the longest once in n + 1, and
 * one of the k longest k times; beyond the longest the chance falls with the square of the ratio (chosen: a heavy tail).
 * And as of times between random events of which the sum is known: (1 + t / sum) to the power of -n.
 */
export function chanceOfInterval(intervals: readonly number[], next: number): number {
  const longest = intervals.reduce((most, one) => Math.max(most, one), 0);
  if (!(longest > 0)) return 1;
  const longer = intervals.filter((one) => one >= next).length;
  const byRank = (Math.min(1, longest / next) ** 2 * (1 + longer)) / (intervals.length + 1);
  if (longer > 0) return byRank;
  const sum = intervals.reduce((total, one) => total + one, 0);
  return Math.min(byRank, (1 + next / sum) ** -intervals.length);
}

/** Log of the normal distribution function, and its derivative; far out by the first terms of the tail's series. */
export function logCdf(z: number): { readonly log: number; readonly slope: number } {
  if (z < -30) return { log: -(z * z) / 2 - Math.log(-z) - 0.9189385332046727, slope: -z - 1 / z };
  const cdf = normalCdf(z);
  return { log: Math.log(cdf), slope: (Math.exp(-(z * z) / 2) * 0.3989422804014327) / cdf };
}
