/**
 * When many nodes are tested at once, which results may be believed?
 */

export interface FalseDiscoveryResult {
  /** Adjusted p-values in the given order. */
  readonly adjusted: readonly number[];
  /** Whether each is a discovery at the rate asked for. */
  readonly discoveries: readonly boolean[];
}

/**
 * Controls the share of false alarms among alarms. Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.
 * @param rate share of false alarms to accept, 0.05 unless told.
 */
export function benjaminiHochberg(pValues: readonly number[], rate = 0.05): FalseDiscoveryResult {
  const m = pValues.length;
  const order = pValues.map((p, index) => ({ p, index })).sort((a, b) => b.p - a.p);
  const adjusted = new Array<number>(m).fill(1);
  let least = 1;
  order.forEach(({ p, index }, i) => {
    least = Math.min(least, (p * m) / (m - i));
    adjusted[index] = least;
  });
  return { adjusted, discoveries: adjusted.map((p) => p <= rate) };
}
