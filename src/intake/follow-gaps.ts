/**
 * When does the search for gaps get its turn? On the intake's thread, in small steps between datagrams: it never keeps a
 * gateway waiting for its answer, and rests while a capture is read, which goes on with it by itself at its end.
 */
import type { Recorder } from "../store/recorder.ts";

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
