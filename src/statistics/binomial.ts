/**
 * Binomial probabilities and Clopper and Pearson's exact interval.
 */
import type { ProportionInterval } from "./wilson.ts";

/** Logarithms of factorials 0! to n!, by summing; kept because tests ask for the same n again and again. */
const logFactorials: number[] = [0];

function logFactorial(n: number): number {
  for (let k = logFactorials.length; k <= n; k += 1) {
    logFactorials.push((logFactorials[k - 1] ?? 0) + Math.log(k));
  }
  return logFactorials[n] ?? 0;
}

/** P(X = k) for n trials with probability p. */
export function binomialPmf(k: number, n: number, p: number): number {
  if (k < 0 || k > n) {
    return 0;
  }
  if (p <= 0 || p >= 1) {
    return k === (p <= 0 ? 0 : n) ? 1 : 0;
  }
  const logChoose = logFactorial(n) - logFactorial(k) - logFactorial(n - k);
  return Math.exp(logChoose + k * Math.log(p) + (n - k) * Math.log1p(-p));
}

/** P(X <= k). Sums the shorter tail. */
export function binomialCdf(k: number, n: number, p: number): number {
  if (k < 0) {
    return 0;
  }
  if (k >= n) {
    return 1;
  }
  let sum = 0;
  if (k < n * p) {
    for (let i = 0; i <= k; i += 1) {
      sum += binomialPmf(i, n, p);
    }
    return Math.min(1, sum);
  }
  for (let i = k + 1; i <= n; i += 1) {
    sum += binomialPmf(i, n, p);
  }
  return Math.max(0, 1 - sum);
}

/**
 * Clopper and Pearson's exact interval for a proportion: limits at which the observed count or a more extreme one has
 * probability (1 - confidence)/2. NIST/SEMATECH e-Handbook 7.2.4.1. Found by bisection to 1e-12.
 */
export function clopperPearsonInterval(
  successes: number,
  trials: number,
  confidence = 0.95,
): ProportionInterval {
  if (!(trials > 0) || successes < 0 || successes > trials) {
    return { ratio: null, low: 0, high: 1, reason: "No trials, so any ratio is possible." };
  }
  const tail = (1 - confidence) / 2;
  const low = successes === 0 ? 0 : solve((p) => 1 - binomialCdf(successes - 1, trials, p) > tail);
  const high = successes === trials ? 1 : solve((p) => binomialCdf(successes, trials, p) < tail);
  return { ratio: successes / trials, low, high, reason: null };
}

/** The p at which `above` turns from false to true. */
function solve(above: (p: number) => boolean): number {
  let low = 0;
  let high = 1;
  while (high - low > 1e-12) {
    const middle = (low + high) / 2;
    if (above(middle)) {
      high = middle;
    } else {
      low = middle;
    }
  }
  return (low + high) / 2;
}
