/**
 * How often does a node send each frame, as far as that can be heard, and when did that change?
 * NbTrans applies to unconfirmed uplinks in every version (LoRaWAN 1.0.3, section 5.2); retries of confirmed ones say
 * nothing about it and are left out. Repeats that nobody heard are missing, so a level is what at least two of the
 * newest counters showed, and it falls only when a whole row of counters stays below it.
 */

export interface RepeatChange {
  readonly atUs: number;
  readonly counter: number | null;
  /** Transmissions of one counter. */
  readonly from: number;
  readonly to: number;
}

/** Counters after which a level is known, and in which it may go unseen before it falls. Chosen, no source. */
const ROW = 8;
/** Newest counters of which two must show more before the level rises. Chosen, no source. */
const RISE = 4;

interface Sent {
  readonly atUs: number;
  readonly counter: number | null;
  count: number;
}

export class RepeatLevel {
  readonly #row: number[] = [];
  #level: number | null = null;
  #open: Sent | null = null;

  /** The first transmission of a counter. Tells a change that the counter before made plain. */
  first(atUs: number, counter: number | null, confirmed: boolean): RepeatChange | null {
    const change = this.#close();
    this.#open = confirmed ? null : { atUs, counter, count: 1 };
    return change;
  }

  /** One more transmission of a counter. */
  again(counter: number | null): void {
    if (this.#open !== null && this.#open.counter === counter) this.#open.count += 1;
  }

  #close(): RepeatChange | null {
    const sent = this.#open;
    if (sent === null) return null;
    this.#row.push(sent.count);
    if (this.#row.length > ROW) this.#row.shift();
    const from = this.#level;
    if (from === null) {
      if (this.#row.length === ROW) this.#level = secondLargest(this.#row);
      return null;
    }
    const risen = secondLargest(this.#row.slice(-RISE));
    const fallen = Math.max(...this.#row);
    const to = risen > from ? risen : Math.min(from, fallen);
    if (to === from) return null;
    this.#level = to;
    return { atUs: sent.atUs, counter: sent.counter, from, to };
  }
}

function secondLargest(counts: readonly number[]): number {
  return [...counts].sort((a, b) => b - a)[1] ?? 1;
}
