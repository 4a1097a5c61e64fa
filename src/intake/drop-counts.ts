/** How many datagrams of each source found no room, for a bounded number of sources; all others share one count. */
import type { Endpoint } from "../model/datagram.ts";

/** Sources counted apart. */
const MAX_SOURCES = 1_000;
/** Sources named in the figures. */
const MAX_NAMED = 10;

export interface SourceDrops {
  /** null: sources that are not counted apart. */
  readonly address: string | null;
  readonly port: number | null;
  readonly count: number;
  /** Microseconds since 1970. */
  readonly lastAtUs: number;
}

export class DropCounts {
  total = 0;
  readonly #sources = new Map<string, { from: Endpoint; count: number; lastAtUs: number }>();

  add(from: Endpoint, atUs: number): void {
    this.total += 1;
    const key = `${from.address} ${from.port}`;
    const known = this.#sources.get(key);
    if (known !== undefined) {
      known.count += 1;
      known.lastAtUs = atUs;
    } else if (this.#sources.size < MAX_SOURCES) this.#sources.set(key, { from, count: 1, lastAtUs: atUs });
    else this.#others = { count: this.#others.count + 1, lastAtUs: atUs };
  }

  #others = { count: 0, lastAtUs: 0 };

  /** The sources that lost most, and all others as one; their counts add up to `total`. */
  largest(): SourceDrops[] {
    if (this.total === 0) return [];
    const sorted = [...this.#sources.values()].sort((a, b) => b.count - a.count);
    const named = sorted
      .slice(0, MAX_NAMED)
      .map(({ from, count, lastAtUs }) => ({ address: from.address, port: from.port, count, lastAtUs }));
    const rest = { ...this.#others };
    for (const { count, lastAtUs } of sorted.slice(MAX_NAMED)) {
      rest.count += count;
      rest.lastAtUs = Math.max(rest.lastAtUs, lastAtUs);
    }
    return rest.count === 0 ? named : [...named, { address: null, port: null, ...rest }];
  }
}
