/**
 * When is what a person asked to forget taken away? In small steps while nothing waits, from the start on. What follows
 * from the rest is accounted again by the work behind the traffic (follow-gaps.ts).
 */
import type { Recorder } from "../store/recorder.ts";

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
