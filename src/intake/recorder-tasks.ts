/**
 * When does the search for gaps get its turn? On the intake's thread, in small steps between datagrams: it never keeps a
 * gateway waiting for its answer, and rests while a capture is read, which goes on with it by itself at its end.
 */
import { formatDistanceStrict } from "date-fns";
import type { Recorded } from "../store/recorder/rows.ts";
import type { Recorder } from "../store/recorder.ts";
import type { CommitDelta } from "./handle.ts";
import { isBusy as isBusyError } from "./record-batch.ts";
import type { ClockStep } from "./system.ts";

export interface GapTurns {
  readonly recorder: Pick<Recorder, "workOnGaps">;
  /** After each step. */
  readonly onStep?: () => void;
  /** Something more urgent is to be done. */
  readonly isBusy: () => boolean;
  /** Now, when live traffic was heard: then time goes on although nothing arrives; else null. */
  readonly nowUs: () => number | null;
  readonly after: (delayMs: number, work: () => void) => void;
  /** A clock that only goes forward, milliseconds. */
  readonly monotonicMs: () => number;
}

const EVERY_MS = 1_000;
/** Least rest between two steps: datagrams come first. */
const REST_MS = 4;
/** Rest for each millisecond of work, so that a flood of disorder leaves the thread to its datagrams. */
const REST_A_WORK = 4;
/** After a step that the store refused (another program holds it). */
const RETRY_MS = 5_000;

/** Goes on until `stop`. */
export function followGaps({ recorder, onStep, isBusy, nowUs, after, monotonicMs }: GapTurns): {
  stop(): void;
} {
  let isStopped = false;
  const turn = (): void => {
    if (isStopped) return;
    let delayMs = EVERY_MS;
    if (!isBusy()) {
      try {
        const beganMs = monotonicMs();
        const isMoreLeft = recorder.workOnGaps({ patient: true, nowUs: nowUs() });
        onStep?.();
        if (isMoreLeft) delayMs = Math.max(REST_MS, REST_A_WORK * (monotonicMs() - beganMs));
      } catch {
        // Nothing is lost by waiting: the next turn takes up where this one was rolled back.
        delayMs = RETRY_MS;
      }
    } else delayMs = EVERY_MS / 4;
    after(delayMs, turn);
  };
  after(EVERY_MS, turn);
  return {
    stop: () => {
      isStopped = true;
    },
  };
}

// When is what a person asked to forget taken away? In small steps while nothing waits, from the start on. What follows
// from the rest is accounted again by the work behind the traffic (recorder-tasks.ts).

export interface ForgettingOptions {
  readonly recorder: Pick<Recorder, "isForgetting" | "forgetMore">;
  /** True while datagrams wait or a capture is read: then it is tried again later. */
  readonly isBusy: () => boolean;
  readonly after: (delayMs: number, work: () => void) => void;
  /** Rows went, and views may show it. */
  readonly onStep: () => void;
  readonly log: (sentence: string) => void;
}

/** About 10 ms of work, and then a pause in which what arrived is recorded. */
const ROWS_A_STEP = 500;
const PAUSE_MS = 20;
const TRY_AGAIN_MS = 1_000;

export interface ForgettingWork {
  /** Something more is to be forgotten. */
  begin(): void;
  stop(): void;
}

/** Takes up at once what an earlier run left. */
export function followForgetting(options: ForgettingOptions): ForgettingWork {
  const { recorder, isBusy, after, onStep, log } = options;
  let isRunning = false;
  let isStopped = false;

  function step(): void {
    isRunning = false;
    if (isStopped) return;
    if (isBusy()) {
      again(PAUSE_MS);
      return;
    }
    try {
      if (!recorder.isForgetting()) return;
      const isMore = recorder.forgetMore(ROWS_A_STEP);
      onStep();
      if (isMore) again(PAUSE_MS);
    } catch (error) {
      log(`Forgetting waits: ${error instanceof Error ? error.message : String(error)}`);
      again(TRY_AGAIN_MS);
    }
  }

  function again(delayMs: number): void {
    if (isRunning) return;
    isRunning = true;
    after(delayMs, step);
  }

  again(PAUSE_MS);
  return {
    begin: () => again(0),
    stop: () => {
      isStopped = true;
    },
  };
}

// When does what the rule of what is kept does not keep leave the store? In small steps while nothing waits, each followed
// by a rest in proportion, so that no acknowledgement waits for it.

export interface RemovalTurns {
  readonly recorder: Pick<Recorder, "removeMore">;
  /** True while datagrams wait or a capture is read: then it is tried again later. */
  readonly isBusy: () => boolean;
  readonly nowUs: () => number;
  readonly after: (delayMs: number, work: () => void) => void;
  readonly monotonicMs: () => number;
  /** Something went, and views may show it. */
  readonly onStep: () => void;
  readonly log: (sentence: string) => void;
}

/** Rows, or frames gone through, in one step: some 5 ms. */
const REMOVED_A_STEP = 250;
/** A rule is looked at so often. Chosen: it costs a few rows. */
const LOOK_FOR_REMOVAL_MS = 10_000;

export function followRemoval(turns: RemovalTurns): { begin(): void; stop(): void } {
  const { recorder, isBusy, nowUs, after, monotonicMs, onStep, log } = turns;
  let isStopped = false;
  /** Of the turns that were set, only the newest counts. */
  let newest = 0;
  const set = (delayMs: number) => {
    newest += 1;
    const own = newest;
    after(delayMs, () => {
      if (own === newest) turn();
    });
  };
  /** Before that nothing is done. A timer that was set cannot be taken back, and a thread ends after its last one. */
  let dueMs = 0;
  const turn = (): void => {
    if (isStopped) return;
    const leftMs = dueMs - monotonicMs();
    if (leftMs > 0) {
      set(Math.min(EVERY_MS, leftMs));
      return;
    }
    if (isBusy()) {
      set(EVERY_MS / 4);
      return;
    }
    let delayMs = LOOK_FOR_REMOVAL_MS;
    try {
      const beganMs = monotonicMs();
      if (recorder.removeMore({ nowUs: nowUs(), most: REMOVED_A_STEP })) {
        delayMs = Math.max(PAUSE_MS, REST_A_WORK * (monotonicMs() - beganMs));
        onStep();
      }
    } catch (error) {
      // While an import holds the store it is tried again at the next look.
      if (!(error instanceof Error && isBusyError(error)))
        log(
          `Removing what the rule does not keep waits: ${error instanceof Error ? error.message : String(error)}`,
        );
    }
    dueMs = monotonicMs() + delayMs;
    set(Math.min(EVERY_MS, delayMs));
  };
  set(EVERY_MS);
  return {
    begin: () => {
      dueMs = 0;
      set(0);
    },
    stop: () => {
      isStopped = true;
    },
  };
}

// Keeps in the store that the service listens: a heartbeat, so that a crash is seen too, and a boundary where the
// machine slept or its clock was set.

export interface HeartbeatOptions {
  readonly recorder: Pick<Recorder, "listen" | "heartbeat" | "heartbeatHeld">;
  /** Datagrams are held that are no rows yet. Absent: never. */
  readonly isHolding?: () => boolean;
  /** Before a boundary: what is held belongs to the range that ends. */
  readonly beforeBoundary?: () => void;
  /** Microseconds since 1970 that never run backwards. */
  readonly nowUs: () => number;
  readonly takeSteps: () => readonly ClockStep[];
  /** A heartbeat is written so long after the newest or a datagram; absent: as the recorder does. */
  readonly everyUs?: number;
  readonly after: (delayMs: number, work: () => void) => void;
  readonly log: (sentence: string) => void;
}

export const HEARTBEAT_MS = 1_000;
/** A heartbeat that comes later than this was held up by sleep; a long commit takes less. Chosen. */
const MAX_LATE_US = 30_000_000;

/** Begins a range of recorded time and keeps it up until `stop`, which dates its end. */
export function keepHeartbeat(options: HeartbeatOptions): { stop(): void } {
  const { recorder, nowUs, takeSteps, everyUs, after, log } = options;
  let isStopped = false;
  let lastUs = nowUs();
  takeSteps();
  recorder.listen(lastUs, "start");
  const beat = (last: boolean): void => {
    const atUs = nowUs();
    for (const step of takeSteps()) {
      log(describeStep(step));
      if (step.toUs === step.fromUs) continue;
      options.beforeBoundary?.();
      recorder.heartbeat(step.fromUs, true);
      // A sleep and a clock set forward look alike here: the system's clock moved on, the monotonic one did not.
      recorder.listen(step.toUs, "clock-step");
      lastUs = step.toUs;
    }
    if (atUs - lastUs > MAX_LATE_US) {
      options.beforeBoundary?.();
      recorder.listen(atUs, "sleep");
    }
    if (options.isHolding?.() === true && !last) recorder.heartbeatHeld(atUs, everyUs);
    else recorder.heartbeat(atUs, last, everyUs);
    lastUs = atUs;
  };
  const turn = (): void => {
    if (isStopped) return;
    try {
      beat(false);
    } catch {
      // The store refuses at this moment; the next heartbeat or datagram makes up for it.
    }
    after(HEARTBEAT_MS, turn);
  };
  after(HEARTBEAT_MS, turn);
  return {
    stop: () => {
      isStopped = true;
      beat(true);
    },
  };
}

function describeStep({ fromUs, toUs, byUs }: ClockStep): string {
  const size = formatDistanceStrict(0, Math.abs(byUs) / 1000);
  if (byUs > 0 && toUs > fromUs)
    return `This machine's clock moved forward by ${size}: it slept, or the clock was set. That time was not recorded.`;
  return byUs > 0
    ? `This machine's clock was set forward by ${size}. Recorded times go on as before.`
    : `This machine's clock was set back by ${size}. Recorded times go on from the earlier clock.`;
}

// How are many commits a second reported to the service without a message each? Joined, at most every 100 ms.

/** Identifiers named in one delta; beyond that the delta says `wide` and names none. */
const MAX_NAMED = 500;

export class DeltaGatherer {
  readonly #post: (delta: CommitDelta) => void;
  readonly #after: (work: () => void) => void;
  #gateways = new Set<string>();
  #nodes = new Set<string>();
  #lastReceptionId = 0;
  #wide = false;
  #pending = false;

  /** `after` runs its work once, a little later (100 ms). */
  constructor(post: (delta: CommitDelta) => void, after: (work: () => void) => void) {
    this.#post = post;
    this.#after = after;
  }

  add(recorded: Recorded): void {
    for (const gateway of recorded.gateways) this.#gateways.add(gateway);
    for (const node of recorded.nodes) this.#nodes.add(node);
    this.#lastReceptionId = Math.max(this.#lastReceptionId, recorded.lastReceptionId);
    this.#wide ||= recorded.wide || recorded.refused > 0;
    this.#schedule();
  }

  /** Something changed that concerns every view (a name, a capture). */
  widen(): void {
    this.#wide = true;
    this.#schedule();
  }

  #schedule(): void {
    if (this.#pending) return;
    this.#pending = true;
    this.#after(() => this.#flush());
  }

  #flush(): void {
    this.#pending = false;
    const tooMany = this.#gateways.size + this.#nodes.size > MAX_NAMED;
    this.#post({
      gateways: tooMany ? [] : [...this.#gateways],
      nodes: tooMany ? [] : [...this.#nodes],
      lastReceptionId: this.#lastReceptionId,
      wide: this.#wide || tooMany,
    });
    this.#gateways = new Set();
    this.#nodes = new Set();
    this.#wide = false;
  }
}
