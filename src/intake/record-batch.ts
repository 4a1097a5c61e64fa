/**
 * Records a batch of datagrams so that a datagram that breaks the recorder costs that datagram only: it is counted as
 * refused (`internal`, with its raw octets as a sample) and the others are stored. What the store itself refuses is no
 * datagram's fault: that is given back, so that it can be tried again.
 */
import { internalFault } from "../model/fault.ts";
import { nothingRecorded, type Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, Recorder, RecordOptions } from "../store/recorder.ts";

export interface BatchOutcome {
  readonly recorded: Recorded;
  /** How many datagrams from the front of the batch are stored or counted as refused. */
  readonly done: number;
  /** Why the rest was not recorded; null when all are done. */
  readonly trouble: Error | null;
}

type Item = DecodedArrival | DownlinkArrival;
type RecorderOfBatches = Pick<Recorder, "record">;

/** Records the batch in one transaction, or one by one when a datagram breaks that. Never throws. */
export function recordBatch(
  recorder: RecorderOfBatches,
  batch: readonly Item[],
  options: RecordOptions = {},
): BatchOutcome {
  let done = batch.length;
  const isEnough = (taken: number): boolean => {
    const is = options.isEnough?.(taken) === true;
    if (is) done = taken;
    return is;
  };
  try {
    return { recorded: recorder.record(batch, { ...options, isEnough }), done, trouble: null };
  } catch (error) {
    if (isStorageTrouble(error)) return { recorded: nothingRecorded(), done: 0, trouble: error };
  }
  const recorded = nothingRecorded();
  for (const [index, item] of batch.entries()) {
    const held = index < (options.held ?? 0) ? 1 : 0;
    const trouble = recordOne(recorder, item, { ...options, held }, recorded);
    if (trouble !== null) return { recorded, done: index, trouble };
  }
  return { recorded, done: batch.length, trouble: null };
}

function recordOne(
  recorder: RecorderOfBatches,
  item: Item,
  options: RecordOptions,
  total: Recorded,
): Error | null {
  try {
    addTo(total, recorder.record([item], options));
    return null;
  } catch (error) {
    if (isStorageTrouble(error)) return error;
    const { arrival } = item;
    const decoding = { ok: false, fault: internalFault(error) } as const;
    try {
      addTo(total, recorder.record([{ arrival, decoding }], options));
      return null;
    } catch (again) {
      // Not even the refusal could be stored: it is not this datagram that is at fault.
      return again instanceof Error ? again : new Error("unknown");
    }
  }
}

/** Adds what one commit recorded to a sum of commits. */
export function addTo(total: Recorded, more: Recorded): void {
  total.datagrams += more.datagrams;
  total.receptions += more.receptions;
  total.knownAlready += more.knownAlready;
  total.refused += more.refused;
  total.answers += more.answers;
  for (const gateway of more.gateways) total.gateways.add(gateway);
  for (const node of more.nodes) total.nodes.add(node);
  total.lastReceptionId = Math.max(total.lastReceptionId, more.lastReceptionId);
  total.wide ||= more.wide;
  total.fromUs = Math.min(total.fromUs, more.fromUs);
  total.toUs = Math.max(total.toUs, more.toUs);
}

/** Whether another program holds the store: it is tried again soon. */
export function isBusy(error: Error): boolean {
  const code = codeOf(error);
  return code.startsWith("SQLITE_BUSY") || code.startsWith("SQLITE_LOCKED");
}

/** So often a write is tried while another program holds the store, and the rest between. Chosen: more than 30 s. */
const MAX_TRIES = 600;
const BETWEEN_TRIES_MS = 50;

/**
 * Does a write, and again while another program holds the store: a capture that is imported beside the service takes
 * many short turns. Rejects with any other error at once, and with this one when the store stays held.
 */
export async function onceFree<T>(work: () => T, waitMs: (ms: number) => Promise<void>): Promise<T> {
  for (let tries = 1; ; tries++) {
    try {
      return work();
    } catch (error) {
      if (!(error instanceof Error) || !isBusy(error) || tries >= MAX_TRIES) throw error;
      await waitMs(BETWEEN_TRIES_MS);
    }
  }
}

export interface WorkOff {
  readonly recorder: Pick<Recorder, "workOnGaps" | "newestUs">;
  /** Lets other work of the thread run. */
  readonly pause: () => Promise<void>;
  readonly waitMs: (ms: number) => Promise<void>;
  readonly isStopped?: () => boolean;
}

/**
 * Does what is left behind the traffic until there is no more. Where traffic goes on meanwhile, every silence that lasts
 * would grow with each step, and its finding be made anew, without end: from then on findings that were made stay, and
 * the service follows what grows.
 */
export async function workOffGaps({ recorder, pause, waitMs, isStopped }: WorkOff): Promise<void> {
  const beganUs = recorder.newestUs();
  const step = () => {
    const isGrowing = recorder.newestUs() !== beganUs;
    return recorder.workOnGaps({ patient: isGrowing, nowUs: null, remake: !isGrowing });
  };
  while ((await onceFree(step, waitMs)) && isStopped?.() !== true) await pause();
}

// SQLite result codes (sqlite.org/rescode.html) that a value of a datagram can cause: a constraint, a type, a range, a
// size, and the general one, which integer overflow gives. All others are the store's.
const VALUE_CODES = ["SQLITE_CONSTRAINT", "SQLITE_MISMATCH", "SQLITE_RANGE", "SQLITE_TOOBIG", "SQLITE_ERROR"];

function isStorageTrouble(error: unknown): error is Error {
  if (!(error instanceof Error)) return false;
  const code = codeOf(error);
  return code.startsWith("SQLITE_") && !VALUE_CODES.some((one) => code.startsWith(one));
}

function codeOf(error: Error): string {
  return "code" in error && typeof error.code === "string" ? error.code : "";
}
