/**
 * Messages that wait for the broker. Rows wait in the order in which they came; of a state only the newest waits. Both are
 * bounded: rows by whoever reads them from the store, which asks for room first, states by their number.
 */

export interface PublishMessage {
  readonly topic: string;
  readonly payload: string;
  readonly retain: boolean;
  /** Called when the broker took or refused it. */
  readonly onSettled?: () => void;
}

/** Rows that wait at most. Chosen: some megabytes; what lies behind them waits in the store. */
export const MAX_QUEUED_ROWS = 1_000;
/** Chosen: above the gateways, nodes and gaps that the views list. */
export const MAX_QUEUED_STATES = 3_000;

export class PublishQueue {
  #rows: PublishMessage[] = [];
  readonly #states = new Map<string, PublishMessage>();

  get size(): number {
    return this.#rows.length + this.#states.size;
  }

  get hasRoom(): boolean {
    return this.#rows.length < MAX_QUEUED_ROWS;
  }

  add(rows: readonly PublishMessage[]): void {
    this.#rows.push(...rows);
  }

  /** The newest of `key` replaces the one that waits. Returns how many gave way to the bound. */
  put(key: string, message: PublishMessage): number {
    this.#states.delete(key);
    this.#states.set(key, message);
    if (this.#states.size <= MAX_QUEUED_STATES) return 0;
    for (const [oldest] of this.#states) {
      this.#states.delete(oldest);
      break;
    }
    return 1;
  }

  /** States first: they are few, and say what is so now. */
  take(): PublishMessage | undefined {
    for (const [key, message] of this.#states) {
      this.#states.delete(key);
      return message;
    }
    return this.#rows.shift();
  }
}
