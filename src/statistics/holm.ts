/**
 * Several comparisons at once: which of them would still stand out if each had its chance of a false alarm?
 */

/**
 * Holm's step-down adjusted p-values, in the given order; they hold whatever the comparisons share. Holm, Scandinavian
 * Journal of Statistics 6 (1979) 65-70. Nulls (nothing to test) stay null and are not counted.
 */
export function holmAdjusted(ps: readonly (number | null)[]): (number | null)[] {
  const order = ps
    .flatMap((p, index) => (p === null ? [] : [{ p, index }]))
    .sort((a, b) => a.p - b.p || a.index - b.index);
  const adjusted: (number | null)[] = ps.map(() => null);
  let highest = 0;
  order.forEach(({ p, index }, rank) => {
    highest = Math.max(highest, Math.min(1, (order.length - rank) * p));
    adjusted[index] = highest;
  });
  return adjusted;
}
