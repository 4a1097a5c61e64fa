/** What crosses between the service's thread and a reading thread: plain data, an error as its parts. */
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { StoreFile } from "../store/open.ts";
import { StoreUnusable } from "../store/store-error.ts";
import { RowsRemoved } from "../views/window.ts";
import { isProblemCode, ServiceProblem } from "./errors.ts";
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
