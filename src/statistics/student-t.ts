/**
 * Tail probabilities and quantiles of Student's t: what an estimate is worth whose spread rests on little.
 * Abramowitz and Stegun 1964, 26.7.1 and 26.5.8 (incomplete beta by its continued fraction).
 */

/** P(T <= t) for any degrees of freedom above 0, whole or not. */
export function studentCdf(t: number, degrees: number): number {
  const tail = incompleteBeta(degrees / (degrees + t * t), degrees / 2, 0.5) / 2;
  return t > 0 ? 1 - tail : tail;
}

/** P(|T| >= |t|). */
export function studentTwoSidedP(t: number, degrees: number): number {
  return Math.min(1, incompleteBeta(degrees / (degrees + t * t), degrees / 2, 0.5));
}

/** t of a two-sided interval: 2.228 for confidence 0.95 and 10 degrees of freedom. By bisection, to 1e-9. */
export function intervalT(confidence: number, degrees: number): number {
  let low = 0;
  let high = 2;
  while (studentTwoSidedP(high, degrees) > 1 - confidence && high < 1e9) high *= 2;
  while (high - low > 1e-9 * high) {
    const middle = (low + high) / 2;
    if (studentTwoSidedP(middle, degrees) > 1 - confidence) low = middle;
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

const MOST_TERMS = 300;
const TINY = 1e-300;

/** Lentz's evaluation of the continued fraction 26.5.8. */
function fraction(x: number, a: number, b: number): number {
  const kept = (value: number) => (Math.abs(value) < TINY ? TINY : value);
  let c = 1;
  let d = 1 / kept(1 - ((a + b) * x) / (a + 1));
  let product = d;
  for (let m = 1; m <= MOST_TERMS; m++) {
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
