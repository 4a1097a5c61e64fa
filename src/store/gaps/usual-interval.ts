/**
 * At which interval did a gateway send before a moment? The median spacing of its keepalives, or else of its reports, of
 * the hour before, or else of the day. Moments are asked in order of time mostly: the window slides, and only what came
 * since is read.
 */
import type { Store } from "../open.ts";
import { PULL } from "../queries/gateways.ts";
import { prepared } from "../queries/statement.ts";

/** An interval is read from so long before a moment; from longer where that holds too few. */
const LOOK_BACK_US = 3_600_000_000;
const FAR_BACK_US = 86_400_000_000;
/** Of a window only so many of the newest count. Chosen. */
const MAX_TIMES = 2_000;

const KEEPALIVES = `FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND kind = ${PULL}`;
const REPORTS = "FROM status_report WHERE gateway_id = ? AND at_us >= ? AND at_us < ?";

/** Of one gateway; the rows are taken not to change meanwhile. */
export class UsualInterval {
  readonly #spacings: readonly SlidingSpacing[];

  constructor(store: Store, gatewayId: number) {
    this.#spacings = [LOOK_BACK_US, FAR_BACK_US].flatMap((backUs) =>
      [KEEPALIVES, REPORTS].map((from) => new SlidingSpacing(store, gatewayId, from, backUs)),
    );
  }

  /** Microseconds; null: too few came of both. */
  before(atUs: number): number | null {
    for (const spacing of this.#spacings) {
      const medianUs = spacing.before(atUs);
      if (medianUs !== null) return medianUs;
    }
    return null;
  }
}

class SlidingSpacing {
  readonly #read: (fromUs: number, toUs: number) => number[];
  readonly #backUs: number;
  /** In order of time; what has left the window stands before `#first`. */
  #times: number[] = [];
  #first = 0;
  /** Times between two of them, by size. */
  #steps: number[] = [];
  /** The end of the window; null: none was asked for. */
  #toUs: number | null = null;

  constructor(store: Store, gatewayId: number, from: string, backUs: number) {
    const newest = prepared(store, `SELECT at_us ${from} ORDER BY at_us DESC LIMIT ${MAX_TIMES}`).raw();
    this.#read = (fromUs, toUs) =>
      (newest.all(gatewayId, fromUs, toUs) as [number][]).map(([atUs]) => atUs).reverse();
    this.#backUs = backUs;
  }

  /** Median spacing up to a moment, this included; null below three times. */
  before(atUs: number): number | null {
    const fromUs = atUs - this.#backUs;
    const toUs = atUs + 1;
    if (this.#toUs === null || fromUs >= this.#toUs || toUs < this.#toUs) this.#begin(fromUs, toUs);
    else this.#slide(fromUs, toUs);
    this.#toUs = toUs;
    const n = this.#steps.length;
    const [low, high] = [this.#steps[(n - 1) >> 1], this.#steps[n >> 1]];
    return n < 2 || low === undefined || high === undefined ? null : (low + high) / 2;
  }

  #begin(fromUs: number, toUs: number): void {
    this.#times = this.#read(fromUs, toUs);
    this.#first = 0;
    this.#steps = this.#times.slice(1).map((atUs, i) => atUs - (this.#times[i] ?? atUs));
    this.#steps.sort((a, b) => a - b);
  }

  #slide(fromUs: number, toUs: number): void {
    const more = this.#read(this.#toUs ?? fromUs, toUs);
    if (more.length === MAX_TIMES) {
      this.#begin(fromUs, toUs);
      return;
    }
    for (const atUs of more) {
      const beforeUs = this.#times.at(-1);
      if (beforeUs !== undefined)
        this.#steps.splice(placeOf(this.#steps, atUs - beforeUs), 0, atUs - beforeUs);
      this.#times.push(atUs);
    }
    for (;;) {
      const oldestUs = this.#times[this.#first];
      const isFull = this.#times.length - this.#first > MAX_TIMES;
      if (oldestUs === undefined || (oldestUs >= fromUs && !isFull)) break;
      this.#first += 1;
      const nextUs = this.#times[this.#first];
      if (nextUs !== undefined) this.#steps.splice(placeOf(this.#steps, nextUs - oldestUs), 1);
    }
    if (this.#first < MAX_TIMES && this.#first < this.#times.length) return;
    this.#times = this.#times.slice(this.#first);
    this.#first = 0;
  }
}

/** The first place in an ascending list whose value is not less. */
function placeOf(sorted: readonly number[], value: number): number {
  let low = 0;
  let high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((sorted[middle] ?? value) < value) low = middle + 1;
    else high = middle;
  }
  return low;
}
