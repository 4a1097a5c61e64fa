/**
 * Who answers the service's questions to the store? A few reading threads, each with a connection of its own, so that
 * the service's thread never waits for a view. Questions wait in one bounded queue. Equal ones over one state of the
 * store are asked once. What nobody waits for any more is dropped, and cut off when it is being worked on. A thread
 * that dies costs the question that it had; the next question starts a new one.
 */
import { ServiceProblem } from "./errors.ts";
import { type LiveClock, SYSTEM_CLOCK } from "./live-view.ts";
import {
  errorOf,
  type ReadingSettings,
  type ReadingThread,
  type ReadingThreadEvents,
  readingThreads,
  startReadingThread,
} from "./reading-messages.ts";
import { type Ask, type AskedViews, keyOf, mayTakeLong, QUESTIONS, type Question } from "./views.ts";

/** Different questions that wait. Chosen: all live views (live-hub.ts) and as many of other askers. */
export const MAX_WAITING = 256;
/** An unasked question is worked on for so long: whoever loads a page again finds it under way. Chosen. */
export const GRACE_MS = 500;
/** A running question is joined by an equal one that comes so much later at most: its window ends earlier. Chosen. */
export const MAX_JOIN_AGE_MS = 2_000;
/** A thread that was asked nothing for so long ends: the memory of a large answer is given back. Chosen. */
export const IDLE_MS = 60_000;
/** Longest wait for threads at the end: the writer waits for readers again. Chosen. */
export const CLOSE_WITHIN_MS = 1_500;
export interface ReadingPoolOptions {
  readonly start: (events: ReadingThreadEvents) => ReadingThread;
  readonly threads: number;
  /** A number that changes with every change of the store. */
  readonly state: () => number;
  readonly clock: LiveClock;
  /** Sentences for the log. */
  readonly log: (sentence: string) => void;
}

interface Asker {
  readonly resolve: (answer: unknown) => void;
  readonly reject: (error: Error) => void;
}

interface Asked {
  readonly question: Question;
  asked: readonly unknown[];
  /** The question and its arguments but for the time. */
  readonly key: string;
  readonly isLong: boolean;
  readonly isLarge: boolean;
  readonly askers: Set<Asker>;
  /** Of the store, when its work began. */
  state: number;
  beganMs: number;
}

interface Seat {
  thread: ReadingThread | null;
  work: Asked | null;
  /** Its thread has worked on a question that may take long: its heap has grown. */
  isGrown: boolean;
  /** Its thread is being ended: what it still says does not count, and it is given nothing. */
  isEnding: boolean;
  cancelGrace: (() => void) | null;
  cancelIdle: (() => void) | null;
}

export class ReadingPool {
  readonly #options: ReadingPoolOptions;
  readonly #seats: readonly Seat[];
  #waiting: Asked[] = [];
  #isClosing = false;
  #closed: () => void = () => undefined;

  constructor(options: ReadingPoolOptions) {
    this.#options = options;
    this.#seats = Array.from({ length: options.threads }, () => ({
      thread: null,
      work: null,
      isGrown: false,
      isEnding: false,
      cancelGrace: null,
      cancelIdle: null,
    }));
  }

  /** Questions of one asker, dropped when the signal comes. */
  readonly ask: Ask = (signal) => {
    const questions = Object.keys(QUESTIONS) as Question[];
    return Object.fromEntries(
      questions.map((question) => [question, (...asked: unknown[]) => this.#ask(question, asked, signal)]),
      // The names are those of the type; each answer is what the view of that name gave.
    ) as unknown as AskedViews;
  };

  /**
   * Drops every question and ends the threads; resolves once their connections are closed, or after CLOSE_WITHIN_MS: a
   * statement that SQLite works on cannot be cut. Such a thread closes its connection when the process ends.
   */
  async close(): Promise<void> {
    this.#isClosing = true;
    for (const asked of this.#waiting.splice(0)) fail(asked, new ServiceProblem("question-dropped"));
    const ended = new Promise<void>((resolve) => {
      this.#closed = resolve;
    });
    for (const seat of this.#seats) {
      seat.cancelIdle?.();
      if (seat.work === null) seat.thread?.post({ kind: "close" });
      else this.#cutOff(seat);
    }
    this.#noteEnd();
    const cancel = this.#options.clock.after(CLOSE_WITHIN_MS, () => this.#closed());
    await ended;
    cancel();
  }

  #ask(question: Question, asked: readonly unknown[], signal: AbortSignal): Promise<unknown> {
    return new Promise((resolve, reject) => {
      if (signal.aborted || this.#isClosing) throw new ServiceProblem("question-dropped");
      const work = this.#equalTo(question, asked) ?? this.#enqueue(question, asked);
      const leave = () => {
        work.askers.delete(asker);
        reject(new ServiceProblem("question-dropped"));
        if (work.askers.size === 0) this.#unasked(work);
      };
      const settled =
        <T>(settle: (value: T) => void) =>
        (value: T) => {
          signal.removeEventListener("abort", leave);
          settle(value);
        };
      const asker = { resolve: settled(resolve), reject: settled(reject) };
      work.askers.add(asker);
      signal.addEventListener("abort", leave, { once: true });
      this.#assign();
    });
  }

  /** The same question, waiting or being worked on, if its answer will be as new as one asked for now. */
  #equalTo(question: Question, asked: readonly unknown[]): Asked | null {
    const key = keyOf(question, asked);
    const waiting = this.#waiting.find((one) => one.key === key);
    if (waiting !== undefined) {
      // Its window ends at the newest moment that was asked for.
      waiting.asked = asked;
      return waiting;
    }
    const seat = this.#seats.find(({ work, isEnding }) => work?.key === key && !isEnding);
    if (seat === undefined || seat.work === null) return null;
    const ageMs = this.#options.clock.monotonicMs() - seat.work.beganMs;
    if (ageMs > MAX_JOIN_AGE_MS || seat.work.state !== this.#options.state()) return null;
    seat.cancelGrace?.();
    seat.cancelGrace = null;
    return seat.work;
  }

  #enqueue(question: Question, asked: readonly unknown[]): Asked {
    if (this.#waiting.length >= MAX_WAITING) throw new ServiceProblem("questions-full");
    const work: Asked = {
      question,
      asked,
      key: keyOf(question, asked),
      isLong: mayTakeLong(question, asked),
      isLarge: QUESTIONS[question].isLarge === true,
      askers: new Set(),
      state: 0,
      beganMs: 0,
    };
    this.#waiting.push(work);
    return work;
  }

  #unasked(work: Asked): void {
    this.#waiting = this.#waiting.filter((one) => one !== work);
    const seat = this.#seats.find((one) => one.work === work);
    if (seat === undefined) return;
    seat.cancelGrace = this.#options.clock.after(GRACE_MS, () => {
      seat.cancelGrace = null;
      if (seat.work === work && work.askers.size === 0) this.#cutOff(seat);
    });
  }

  /** Hands out what waits, in order, as far as a thread is free that may take it. */
  #assign(): void {
    for (let next = 0; next < this.#waiting.length && !this.#isClosing; ) {
      const work = this.#waiting[next];
      const seat = work === undefined ? undefined : this.#seatFor(work);
      if (work === undefined || seat === undefined) {
        next += 1;
        continue;
      }
      this.#waiting.splice(next, 1);
      this.#begin(seat, work);
    }
  }

  /**
   * A free seat that may take it, if any. What may take long goes where such a question was before: all threads but one may
   * grow by that. The others are for the rest. Large questions come one at a time, however many threads there are.
   */
  #seatFor({ isLong, isLarge }: Asked): Seat | undefined {
    const free = this.#seats.filter(({ work, isEnding }) => work === null && !isEnding);
    const started = free.filter(({ thread }) => thread !== null);
    if (!isLong) return started.find(({ isGrown }) => !isGrown) ?? started[0] ?? free[0];
    if (isLarge && this.#seats.some(({ work }) => work?.isLarge === true)) return undefined;
    const grown = this.#seats.filter(({ isGrown }) => isGrown).length;
    const mayGrow = grown < Math.max(1, this.#seats.length - 1);
    return free.find(({ isGrown }) => isGrown) ?? (mayGrow ? (started[0] ?? free[0]) : undefined);
  }

  #begin(seat: Seat, work: Asked): void {
    seat.cancelIdle?.();
    seat.cancelIdle = null;
    seat.work = work;
    seat.isGrown ||= work.isLong;
    work.beganMs = this.#options.clock.monotonicMs();
    try {
      work.state = this.#options.state();
      seat.thread ??= this.#start(seat);
      seat.thread.post({ kind: "ask", question: work.question, asked: work.asked });
    } catch (error) {
      seat.work = null;
      fail(work, error instanceof Error ? error : new Error(String(error)));
    }
  }

  #start(seat: Seat): ReadingThread {
    const thread = this.#options.start({
      answered: (message) => {
        if (seat.thread !== thread || seat.isEnding) return;
        const work = this.#empty(seat);
        if (work === null) return;
        for (const { resolve, reject } of work.askers)
          if (message.kind === "answered") resolve(message.answer);
          else reject(errorOf(message.failure));
        this.#assign();
        if (seat.work === null) this.#endWhenIdle(seat);
      },
      ended: (error) => {
        if (seat.thread !== thread) return;
        seat.thread = null;
        seat.isGrown = false;
        seat.isEnding = false;
        seat.cancelIdle?.();
        seat.cancelIdle = null;
        const work = this.#empty(seat);
        if (error !== null) this.#options.log(`A reading thread has ended: ${error.message}.`);
        if (work !== null)
          fail(work, new ServiceProblem(this.#isClosing ? "question-dropped" : "question-lost"));
        this.#noteEnd();
        this.#assign();
      },
    });
    return thread;
  }

  /** The seat is free again once the thread is gone. */
  #endWhenIdle(seat: Seat): void {
    seat.cancelIdle = this.#options.clock.after(IDLE_MS, () => {
      seat.cancelIdle = null;
      seat.isEnding = true;
      seat.thread?.post({ kind: "close" });
    });
  }

  /** Ends the thread amid its work: the seat is free once it is gone. */
  #cutOff(seat: Seat): void {
    seat.isEnding = true;
    if (seat.work !== null) fail(seat.work, new ServiceProblem("question-dropped"));
    seat.thread?.terminate();
  }

  #empty(seat: Seat): Asked | null {
    const { work } = seat;
    seat.work = null;
    seat.cancelGrace?.();
    seat.cancelGrace = null;
    return work;
  }

  #noteEnd(): void {
    if (this.#isClosing && this.#seats.every(({ thread }) => thread === null)) this.#closed();
  }
}

function fail(work: Asked, error: Error): void {
  for (const asker of work.askers) asker.reject(error);
  work.askers.clear();
}

/** The pool over a store in use; `state` as in ReadingPoolOptions. */
export function openReadingPool(
  settings: ReadingSettings,
  { state, log }: Pick<ReadingPoolOptions, "state" | "log">,
): ReadingPool {
  // Compiled code only: a worker thread does not inherit a loader for TypeScript on Node 20.
  const file = new URL("./reading-thread.js", import.meta.url);
  const start = (events: ReadingThreadEvents) => startReadingThread(file, settings, events);
  return new ReadingPool({ start, threads: readingThreads(), state, clock: SYSTEM_CLOCK, log });
}
