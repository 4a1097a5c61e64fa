/** The items by a key, keys and items in their order. Stands in for Map.groupBy, which Node 20 does not have. */
export function groupBy<K, T>(items: Iterable<T>, keyOf: (item: T) => K): Map<K, [T, ...T[]]> {
  const groups = new Map<K, [T, ...T[]]>();
  for (const item of items) {
    const key = keyOf(item);
    const group = groups.get(key);
    if (group === undefined) groups.set(key, [item]);
    else group.push(item);
  }
  return groups;
}
