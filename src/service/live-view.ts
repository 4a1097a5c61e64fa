/**
 * How is one view kept fresh for all who look at it? It is computed once for them all, at most once a second, and
 * anew after ten seconds without any traffic, since ages, silences and the window itself move with the clock. Who
 * reads too slowly is passed over and gets a whole new snapshot when there is room again.
 */
import { rowKey, type Topic } from "../contract/live.ts";

// What changed between two states of a view? Fields by their text, the keyed list by its rows; so that applying the
// change to the older state, as src/contract/live.ts says, gives the newer one exactly.

export type LiveAnswer = Readonly<Record<string, unknown>>;

/** A view at one moment, with the texts that later ones are compared with. */
interface Frozen {
  readonly answer: LiveAnswer;
  /** JSON of each field but the keyed list. */
  readonly fields: ReadonlyMap<string, string>;
  /** JSON of each row by its key, in the list's order; null when the view has no list or a key twice. */
  readonly rows: ReadonlyMap<string, { readonly row: unknown; readonly text: string }> | null;
}

interface Change {
  readonly set: Record<string, unknown>;
  readonly rows?: { readonly list: string; readonly upsert: unknown[]; readonly remove: string[] };
}

/** Keeps a view for comparison; `list` is the name of its keyed list. */
export function freeze(answer: LiveAnswer, list: string | null): Frozen {
  const fields = new Map<string, string>();
  for (const [name, value] of Object.entries(answer)) {
    if (name !== list) fields.set(name, JSON.stringify(value));
  }
  return { answer, fields, rows: list === null ? null : freezeRows(answer[list], list) };
}

/** The change from one state to the next; null when there is none, "whole" when only a new snapshot can tell it. */
export function changeBetween(before: Frozen, after: Frozen, list: string | null): Change | "whole" | null {
  const set: Record<string, unknown> = {};
  for (const [name, text] of after.fields) {
    if (before.fields.get(name) !== text) set[name] = after.answer[name];
  }
  // A delta can set a field, not take it away.
  for (const name of before.fields.keys()) if (!after.fields.has(name)) return "whole";
  if (list === null || !(list in after.answer)) return Object.keys(set).length === 0 ? null : { set };
  if (before.rows === null || after.rows === null) return { set: { ...set, [list]: after.answer[list] } };

  const upsert: unknown[] = [];
  const added: string[] = [];
  for (const [key, { row, text }] of after.rows) {
    const known = before.rows.get(key);
    if (known?.text === text) continue;
    upsert.push(row);
    if (known === undefined) added.push(key);
  }
  const kept = [...before.rows.keys()].filter((key) => after.rows?.has(key) === true);
  const remove = [...before.rows.keys()].filter((key) => after.rows?.has(key) !== true);
  const applied = list === "receptions" ? [...added, ...kept] : [...kept, ...added];
  const wanted = [...after.rows.keys()];
  // Rows cannot tell of a new order: then the list goes whole.
  if (applied.some((key, i) => key !== wanted[i])) return { set: { ...set, [list]: after.answer[list] } };
  if (upsert.length === 0 && remove.length === 0) return Object.keys(set).length === 0 ? null : { set };
  return { set, rows: { list, upsert, remove } };
}

function freezeRows(value: unknown, list: string): Frozen["rows"] {
  if (!Array.isArray(value)) return null;
  const rows = new Map<string, { row: unknown; text: string }>();
  for (const row of value as unknown[]) {
    if (typeof row !== "object" || row === null) return null;
    rows.set(rowKey(list, { ...row }), { row, text: JSON.stringify(row) });
  }
  return rows.size === value.length ? rows : null;
}

export interface LiveQuestion {
  readonly topic: Topic;
  /** Seconds up to now. */
  readonly last: number;
  readonly key: string | null;
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

/** Computing may take this share of the time at most, however long it takes. */
const MAX_SHARE = 1 / 4;

/** The lists whose rows travel one by one; see rowKey in src/contract/live.ts. */
const KEYED_LISTS: Readonly<Record<Topic, string | null>> = {
  status: null,
  site: "gateways",
  nodes: "nodes",
  air: null,
  gaps: "gaps",
  bench: "items",
  captures: "captures",
  marks: null,
  trials: "trials",
  feed: "receptions",
  node: null,
};

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
  /** The last trouble that was told. */
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
  readonly #list: string | null;
  readonly #seats = new Map<Subscriber, Seat>();
  #state: Frozen | null = null;
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
    this.#list = KEYED_LISTS[question.topic];
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
    let change: Change | "whole" | null = null;
    try {
      const answer = await this.#tools.compute(this.question, running.signal);
      if (this.#running !== running) return;
      const next = freeze(answer, this.#list);
      change = this.#state === null ? "whole" : changeBetween(this.#state, next, this.#list);
      this.#state = next;
      this.#trouble = null;
      if (change !== null) this.#stateText = null;
    } catch (error) {
      if (this.#running !== running) return;
      this.#trouble = this.#tools.describe(error);
    }
    this.#running = null;
    this.#computedAtMs = this.#nowMs();
    this.#costMs = this.#computedAtMs - beganMs;
    const text = change === null || change === "whole" ? null : JSON.stringify(change).slice(1, -1);
    for (const [subscriber, seat] of this.#seats) {
      if (change === "whole") seat.needsSnapshot = true;
      this.#serve(subscriber, seat, text);
    }
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
    // What was told as a trouble is over: the client learns that from a message, even if nothing else changed.
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
      this.#stateText ??= JSON.stringify(this.#state.answer);
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
    return Math.max(this.#tools.pace.leastMs, this.#costMs / MAX_SHARE);
  }

  #nowMs(): number {
    return this.#tools.clock.monotonicMs();
  }
}
