/**
 * How is one view kept fresh for all who look at it? It is computed once for them all, at most once a second, and
 * anew after ten seconds without any traffic, since ages, silences and the window itself move with the clock. Who
 * reads too slowly is passed over and gets a whole new snapshot when there is room again.
 */
import type { Topic } from "../contract/live.ts";
import { editOf } from "./live-edit.ts";

export type LiveAnswer = Readonly<Record<string, unknown>>;

export interface LiveQuestion {
  readonly topic: Topic;
  /** Seconds up to now. */
  readonly last: number;
  readonly key: string | null;
  /** null: all sites. */
  readonly site: string | null;
}

/** Timers and clock, handed in so that tests decide about time. */
export interface LiveClock {
  monotonicMs(): number;
  /** Runs the work once after the delay; returns what calls it off. */
  after(delayMs: number, work: () => void): () => void;
}

/** The system's: its timers hold no process up. */
export const SYSTEM_CLOCK: LiveClock = {
  monotonicMs: () => performance.now(),
  after: (delayMs, work) => {
    const timer = setTimeout(work, delayMs).unref();
    return () => clearTimeout(timer);
  },
};

export interface LivePace {
  /** Shortest time between two computations of one view. */
  readonly leastMs: number;
  /** Longest time without one. */
  readonly mostMs: number;
  /** How often it is tried whether a slow client has room again. */
  readonly retryMs: number;
  /** Time between two pings of a client. */
  readonly heartbeatMs: number;
  /** Octets that may wait for a client before it is passed over. */
  readonly mostBuffered: number;
}

export const LIVE_PACE: LivePace = {
  leastMs: 1_000,
  mostMs: 10_000,
  retryMs: 500,
  heartbeatMs: 15_000,
  mostBuffered: 1024 * 1024,
};

/** Topics that are asked for so many times as rarely. Chosen: the air is shown in cells of minutes. */
const SLOWER: Partial<Record<Topic, number>> = { air: 3 };

/** Computing may take this share of the time at most, however long it takes. */
const MAX_SHARE = 1 / 4;

/** One client's interest in one view. */
export interface Subscriber {
  readonly id: number;
  /** True while too much waits to be sent to this client. */
  isFull(): boolean;
  send(text: string): void;
}

interface Seat {
  seq: number;
  /** Has no state that a delta could change. */
  needsSnapshot: boolean;
  /** The last trouble that was reported. */
  trouble: string | null;
}

export interface LiveViewTools {
  readonly clock: LiveClock;
  readonly pace: LivePace;
  /** The view now; dropped when the signal comes. */
  readonly compute: (question: LiveQuestion, signal: AbortSignal) => Promise<LiveAnswer>;
  /** A sentence about why a view could not be computed. */
  readonly describe: (error: unknown) => string;
}

export class LiveView {
  readonly question: LiveQuestion;
  readonly #tools: LiveViewTools;
  readonly #seats = new Map<Subscriber, Seat>();
  #state: LiveAnswer | null = null;
  #stateText: string | null = null;
  #trouble: string | null = null;
  #computedAtMs = Number.NEGATIVE_INFINITY;
  #costMs = 0;
  #planned: { readonly atMs: number; readonly cancel: () => void } | null = null;
  #cancelRetry: (() => void) | null = null;
  /** Ends the computation that is under way; null: none is. */
  #running: AbortController | null = null;
  /** Something changed while it was: what it rests on may be older. */
  #isDirty = false;

  constructor(question: LiveQuestion, tools: LiveViewTools) {
    this.question = question;
    this.#tools = tools;
  }

  get isUnwatched(): boolean {
    return this.#seats.size === 0;
  }

  /** Seats a subscriber: what is fresh is sent at once, else it waits for the next computation. */
  add(subscriber: Subscriber): void {
    const seat: Seat = { seq: 0, needsSnapshot: true, trouble: null };
    this.#seats.set(subscriber, seat);
    if (this.#nowMs() - this.#computedAtMs < this.#leastMs()) this.#serve(subscriber, seat, null);
    else this.#planAt(this.#nowMs());
  }

  remove(subscriber: Subscriber): void {
    this.#seats.delete(subscriber);
    if (!this.isUnwatched) return;
    this.#planned?.cancel();
    this.#planned = null;
    this.#cancelRetry?.();
    this.#cancelRetry = null;
    this.#running?.abort();
    this.#running = null;
  }

  /** A new snapshot for one who found a hole in the numbers. */
  resync(subscriber: Subscriber): void {
    const seat = this.#seats.get(subscriber);
    if (seat === undefined) return;
    seat.needsSnapshot = true;
    seat.trouble = null;
    this.#serve(subscriber, seat, null);
  }

  /** Something it rests on has changed. */
  markDirty(): void {
    if (!this.isUnwatched) this.#planAt(this.#computedAtMs + this.#leastMs());
  }

  async #compute(): Promise<void> {
    this.#planned = null;
    this.#isDirty = false;
    const running = new AbortController();
    this.#running = running;
    const beganMs = this.#nowMs();
    // What the state of before lacks, as the text of a delta; null: nothing.
    let text: string | null = null;
    try {
      const answer = await this.#tools.compute(this.question, running.signal);
      if (this.#running !== running) return;
      if (this.#state !== null) {
        const edit = editOf(this.#state, answer);
        if (edit !== null) text = JSON.stringify({ set: {}, ...edit }).slice(1, -1);
      }
      if (this.#state === null || text !== null) this.#stateText = null;
      this.#state = answer;
      this.#trouble = null;
    } catch (error) {
      if (this.#running !== running) return;
      this.#trouble = this.#tools.describe(error);
    }
    this.#running = null;
    this.#computedAtMs = this.#nowMs();
    this.#costMs = this.#computedAtMs - beganMs;
    for (const [subscriber, seat] of this.#seats) this.#serve(subscriber, seat, text);
    if (this.isUnwatched) return;
    const restMs = this.#isDirty ? this.#leastMs() : Math.max(this.#tools.pace.mostMs, this.#leastMs());
    this.#planAt(this.#computedAtMs + restMs);
  }

  /** Sends what this seat lacks: a snapshot, else the change, else nothing. */
  #serve(subscriber: Subscriber, seat: Seat, changeText: string | null): void {
    if (this.#trouble !== null) {
      if (seat.trouble === this.#trouble || subscriber.isFull()) return;
      seat.trouble = this.#trouble;
      subscriber.send(JSON.stringify({ type: "trouble", id: subscriber.id, sentence: this.#trouble }));
      return;
    }
    if (this.#state === null) return;
    // What was reported as a trouble is over: the client learns that from a message, even if nothing else changed.
    if (seat.trouble !== null) seat.needsSnapshot = true;
    if (!seat.needsSnapshot && changeText === null) return;
    if (subscriber.isFull()) {
      seat.needsSnapshot = true;
      this.#retryLater();
      return;
    }
    seat.seq += 1;
    const head = `"id":${subscriber.id},"seq":${seat.seq}`;
    if (seat.needsSnapshot) {
      seat.needsSnapshot = false;
      seat.trouble = null;
      this.#stateText ??= JSON.stringify(this.#state);
      subscriber.send(`{"type":"snapshot",${head},"view":${this.#stateText}}`);
    } else subscriber.send(`{"type":"delta",${head},${changeText}}`);
  }

  #retryLater(): void {
    this.#cancelRetry ??= this.#tools.clock.after(this.#tools.pace.retryMs, () => {
      this.#cancelRetry = null;
      for (const [subscriber, seat] of this.#seats)
        if (seat.needsSnapshot) this.#serve(subscriber, seat, null);
    });
  }

  #planAt(atMs: number): void {
    if (this.#running !== null) {
      this.#isDirty = true;
      return;
    }
    if (this.#planned !== null) {
      if (this.#planned.atMs <= atMs) return;
      this.#planned.cancel();
    }
    const delayMs = Math.max(0, atMs - this.#nowMs());
    this.#planned = { atMs, cancel: this.#tools.clock.after(delayMs, () => void this.#compute()) };
  }

  #leastMs(): number {
    const leastMs = this.#tools.pace.leastMs * (SLOWER[this.question.topic] ?? 1);
    return Math.max(leastMs, this.#costMs / MAX_SHARE);
  }

  #nowMs(): number {
    return this.#tools.clock.monotonicMs();
  }
}
