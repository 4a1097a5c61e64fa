/**
 * How fast may tokens be tried from one address? So many at once, then one at a time at a slow pace, in the order in
 * which they came. Nobody is locked out: the right token waits its turn behind the wrong ones of its neighbours, and
 * a connection that has shown it waits no more. A guess waits on a connection of its own, and connections of an
 * address are limited, so that the wait of the right token is bounded.
 */

/** Timers and clock, handed in so that tests decide about time. */
export interface PaceClock {
  monotonicMs(): number;
  after(delayMs: number, work: () => void): () => void;
}

export interface GuessPace {
  /** Wrong tokens of one address that are compared at once. */
  readonly free: number;
  /** After these, one token is compared in so many milliseconds. */
  readonly paceMs: number;
  /** Tokens of one address that wait at most. */
  readonly mostWaiting: number;
  /** Addresses remembered at most; the oldest gives way. */
  readonly mostSources: number;
}

/** `busy`: not compared, because too many wait already. */
export type TryOutcome = "right" | "wrong" | "busy";

/** A connection, by whatever object stands for it. */
export interface TriedOn {
  readonly destroyed?: boolean;
}

interface Waiting {
  readonly connection: TriedOn;
  readonly isRight: () => boolean;
  readonly tell: (outcome: TryOutcome) => void;
}

interface Source {
  /** Wrong tokens that may still be compared at once; grows by one every paceMs. */
  left: number;
  sinceMs: number;
  waiting: Waiting[];
}

export class GuessLimit {
  readonly #clock: PaceClock;
  readonly #pace: GuessPace;
  readonly #sources = new Map<string, Source>();
  readonly #shown = new WeakSet<TriedOn>();

  constructor(clock: PaceClock, pace: GuessPace) {
    this.#clock = clock;
    this.#pace = pace;
  }

  /** Compares when it is this token's turn. Only what is compared counts as a try. */
  attempt(source: string, connection: TriedOn, isRight: () => boolean): Promise<TryOutcome> {
    if (this.#shown.has(connection)) {
      if (isRight()) return Promise.resolve("right");
      // Somebody else speaks through this connection too (a proxy): it is no mark of trust any more.
      this.#shown.delete(connection);
      this.#spend(this.#of(source));
      return Promise.resolve("wrong");
    }
    const entry = this.#of(source);
    if (entry.waiting.length === 0 && entry.left >= 1)
      return Promise.resolve(this.#compare(entry, connection, isRight));
    entry.waiting = entry.waiting.filter((one) => one.connection.destroyed !== true);
    const isAsking = entry.waiting.some((one) => one.connection === connection);
    if (isAsking || entry.waiting.length >= this.#pace.mostWaiting) return Promise.resolve("busy");
    return new Promise((tell) => {
      entry.waiting.push({ connection, isRight, tell });
      if (entry.waiting.length === 1) this.#nextTurn(entry);
    });
  }

  #nextTurn(entry: Source): void {
    this.#refill(entry);
    const waitMs = Math.max(0, Math.ceil((1 - entry.left) * this.#pace.paceMs));
    this.#clock.after(waitMs, () => {
      this.#refill(entry);
      let next = entry.waiting.shift();
      while (next?.connection.destroyed === true) {
        next.tell("busy");
        next = entry.waiting.shift();
      }
      if (next !== undefined) next.tell(this.#compare(entry, next.connection, next.isRight));
      if (entry.waiting.length > 0) this.#nextTurn(entry);
    });
  }

  #compare(entry: Source, connection: TriedOn, isRight: () => boolean): TryOutcome {
    if (isRight()) {
      this.#shown.add(connection);
      return "right";
    }
    this.#spend(entry);
    return "wrong";
  }

  #spend(entry: Source): void {
    entry.left -= 1;
  }

  #refill(entry: Source): void {
    const nowMs = this.#clock.monotonicMs();
    entry.left = Math.min(this.#pace.free, entry.left + (nowMs - entry.sinceMs) / this.#pace.paceMs);
    entry.sinceMs = nowMs;
  }

  #of(source: string): Source {
    const known = this.#sources.get(source);
    if (known !== undefined) {
      this.#refill(known);
      return known;
    }
    const fresh = { left: this.#pace.free, sinceMs: this.#clock.monotonicMs(), waiting: [] };
    this.#sources.set(source, fresh);
    if (this.#sources.size > this.#pace.mostSources) {
      const oldest = this.#sources.keys().next();
      if (oldest.done !== true) this.#sources.delete(oldest.value);
    }
    return fresh;
  }
}
