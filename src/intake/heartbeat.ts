/**
 * Keeps in the store that the service listens: a heartbeat, so that a crash is seen too, and a boundary where the
 * machine slept or its clock was set.
 */
import { formatDistanceStrict } from "date-fns";
import type { Recorder } from "../store/recorder.ts";
import type { ClockStep } from "./system-time.ts";

export interface HeartbeatOptions {
  readonly recorder: Pick<Recorder, "listen" | "heartbeat">;
  /** Microseconds since 1970 that never run backwards. */
  readonly nowUs: () => number;
  readonly takeSteps: () => readonly ClockStep[];
  readonly after: (delayMs: number, work: () => void) => void;
  readonly log: (sentence: string) => void;
}

export const HEARTBEAT_MS = 1_000;
/** A heartbeat that comes later than this was held up by sleep; a long commit takes less. Chosen. */
const MAX_LATE_US = 30_000_000;

/** Begins a range of recorded time and keeps it up until `stop`, which dates its end. */
export function keepHeartbeat(options: HeartbeatOptions): { stop(): void } {
  const { recorder, nowUs, takeSteps, after, log } = options;
  let isStopped = false;
  let lastUs = nowUs();
  takeSteps();
  recorder.listen(lastUs, "start");
  const beat = (last: boolean): void => {
    const atUs = nowUs();
    for (const step of takeSteps()) {
      log(describeStep(step));
      if (step.toUs === step.fromUs) continue;
      recorder.heartbeat(step.fromUs, true);
      // A sleep and a clock set forward look alike here: the system's clock moved on, the monotonic one did not.
      recorder.listen(step.toUs, "clock-step");
      lastUs = step.toUs;
    }
    if (atUs - lastUs > MAX_LATE_US) recorder.listen(atUs, "sleep");
    recorder.heartbeat(atUs, last);
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
