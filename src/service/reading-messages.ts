/** What crosses between the service's thread and a reading thread: plain data, an error as its parts. And how one is started. */
import { availableParallelism } from "node:os";
import { Worker } from "node:worker_threads";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { StoreFile } from "../store/open.ts";
import { StoreUnusable } from "../store/store-error.ts";
import { RowsRemoved } from "../views/window.ts";
import { ServiceProblem } from "./errors.ts";
import { isProblemCode } from "./problems.ts";
import type { Question } from "./views.ts";

/** Worker data of a reading thread. */
export interface ReadingSettings {
  readonly file: StoreFile;
  readonly ownPlans: readonly RegionPlan[];
}

export type ToReadingThread =
  | { readonly kind: "ask"; readonly question: Question; readonly asked: readonly unknown[] }
  /** Closes the store and ends the thread. */
  | { readonly kind: "close" };

/** The answer to the one question that was asked. */
export type FromReadingThread =
  | { readonly kind: "answered"; readonly answer: unknown }
  | { readonly kind: "failed"; readonly failure: ReadingFailure };

/** An error as data: a class would be lost on the way. */
export interface ReadingFailure {
  readonly message: string;
  readonly stack: string | undefined;
  /** SQLite's own code, or that of a ServiceProblem. */
  readonly code: string | null;
  /** Of a store that cannot be used. */
  readonly remedy: string | null;
}

export function failureOf(error: unknown): ReadingFailure {
  const { message, stack } = error instanceof Error ? error : new Error(String(error));
  const code =
    typeof error === "object" && error !== null && "code" in error && typeof error.code === "string"
      ? error.code
      : null;
  if (error instanceof RowsRemoved) return { message, stack, code: "rows-removed", remedy: null };
  return { message, stack, code, remedy: error instanceof StoreUnusable ? error.remedy : null };
}

/** The error again, as far as the service's answer depends on it. */
export function errorOf({ message, stack, code, remedy }: ReadingFailure): Error {
  if (remedy !== null) return new StoreUnusable(message, remedy);
  if (code !== null && isProblemCode(code)) return new ServiceProblem(code, message);
  const error = new Error(message);
  if (stack !== undefined) error.stack = stack;
  return code === null ? error : Object.assign(error, { code });
}

/** Chosen: one for questions that take long, one for all others; more only where cores are left beside the recorder. */
const MIN_THREADS = 2;
const MAX_THREADS = 4;

/** Reading threads of a machine. */
export function readingThreads(cores = availableParallelism()): number {
  return Math.max(MIN_THREADS, Math.min(MAX_THREADS, cores - 1));
}

/** Newly made values of a thread, three half-spaces in all. Chosen: 24 MB less a thread, no more CPU (Node 20: 48). */
const YOUNG_GENERATION_MB = 12;
/**
 * Heap of a thread at most: a question that needs more is lost, and only it. Chosen: three times the 140 MB that the report
 * took of a month of 174,000 receptions, and of one of 1.5 million. The smaller this bound (below 2 GB), the smaller the
 * steps in which V8 lets a heap grow before it is emptied.
 */
const OLD_GENERATION_MB = 512;
/** A thread as far as the pool uses it. */
export interface ReadingThread {
  post(message: ToReadingThread): void;
  /** Ends it amid its work; `ended` is called once it is gone. */
  terminate(): void;
}

export interface ReadingThreadEvents {
  readonly answered: (message: FromReadingThread) => void;
  /** Once, whyever it ended; null: no error. */
  readonly ended: (error: Error | null) => void;
}

/** Starts a worker thread that speaks the messages of reading-messages.ts. */
export function startReadingThread(
  file: URL,
  workerData: unknown,
  { answered, ended }: ReadingThreadEvents,
): ReadingThread {
  const resourceLimits = {
    maxOldGenerationSizeMb: OLD_GENERATION_MB,
    maxYoungGenerationSizeMb: YOUNG_GENERATION_MB,
  };
  const worker = new Worker(file, { workerData, resourceLimits });
  let failure: Error | null = null;
  worker.on("message", answered);
  worker.once("error", (error) => {
    failure = error;
  });
  worker.once("exit", () => ended(failure));
  return {
    post: (message) => worker.postMessage(message),
    terminate: () => void worker.terminate(),
  };
}
