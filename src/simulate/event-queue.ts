/**
 * What happens next? A list of things to do in order of time; what was entered first goes first at equal times,
 * so that a run repeats exactly.
 */

interface Entry<T> {
  readonly atUs: number;
  readonly order: number;
  readonly what: T;
}

/** A binary heap by time, then by order of entry. */
export class Agenda<T> {
  readonly #heap: Entry<T>[] = [];
  #entered = 0;

  get size(): number {
    return this.#heap.length;
  }

  add(atUs: number, what: T): void {
    const heap = this.#heap;
    const entry = { atUs, order: this.#entered++, what };
    let at = heap.length;
    heap.push(entry);
    while (at > 0) {
      const parentAt = (at - 1) >> 1;
      const parent = heap[parentAt];
      if (parent === undefined || !isBefore(entry, parent)) break;
      heap[at] = parent;
      at = parentAt;
    }
    heap[at] = entry;
  }

  /** The earliest entry, taken off the list; null when nothing is left. */
  take(): { readonly atUs: number; readonly what: T } | null {
    const heap = this.#heap;
    const first = heap[0];
    const last = heap.pop();
    if (first === undefined || last === undefined) return null;
    if (heap.length > 0) this.#sink(last);
    return first;
  }

  /** Puts an entry in the place of the first one and lets it sink to where it belongs. */
  #sink(entry: Entry<T>): void {
    const heap = this.#heap;
    let at = 0;
    for (;;) {
      let childAt = 2 * at + 1;
      let child = heap[childAt];
      if (child === undefined) break;
      const right = heap[childAt + 1];
      if (right !== undefined && isBefore(right, child)) {
        child = right;
        childAt += 1;
      }
      if (!isBefore(child, entry)) break;
      heap[at] = child;
      at = childAt;
    }
    heap[at] = entry;
  }
}

function isBefore<T>(a: Entry<T>, b: Entry<T>): boolean {
  return a.atUs < b.atUs || (a.atUs === b.atUs && a.order < b.order);
}
