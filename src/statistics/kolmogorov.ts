/**
 * How likely does a Brownian bridge stray so far? The limit of the largest partial sum of values about their mean,
 * when their level never changed.
 */

/** Beyond this distance the tail is below the smallest number that matters. */
const FAR = 6;

/**
 * P(sup |B(t)| > x) = 2 Σ (-1)^(k+1) exp(-2 k² x²): Kolmogorov 1933; table of N. Smirnov, Annals of Mathematical
 * Statistics 19 (1948) 279-281 (from memory): 0.05 at 1.358, 0.01 at 1.628. 1 for x near 0.
 */
export function bridgeTail(x: number): number {
  if (!(x > 0.2)) return 1;
  if (x > FAR) return 0;
  let sum = 0;
  for (let k = 1; k <= 100; k += 1) {
    const term = Math.exp(-2 * k * k * x * x);
    sum += k % 2 === 1 ? term : -term;
    if (term < 1e-16) break;
  }
  return Math.min(1, Math.max(0, 2 * sum));
}
