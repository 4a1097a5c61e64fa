/**
 * Which problem of the catalogue is an error? Nothing else leaves as an error: no stack, no path, no text of a library.
 */
import { hasZodFastifySchemaValidationErrors, isResponseSerializationError } from "fastify-type-provider-zod";
import type { Problem } from "../contract/common.ts";
import { plainLine } from "../model/text.ts";
import { NoSuchSite } from "../store/narrowed.ts";
import { StoreUnusable } from "../store/store-error.ts";
import type { WasWritten, Written } from "../store/written.ts";
import { RowsRemoved } from "../views/window.ts";
import { PROBLEMS, type ProblemCode } from "./problems.ts";

/** Thrown inside the service to answer with a problem of the catalogue; `detail` stands in for its sentence. */
export class ServiceProblem extends Error {
  readonly code: ProblemCode;
  constructor(code: ProblemCode, detail?: string) {
    super(detail ?? PROBLEMS[code].sentence);
    this.name = "ServiceProblem";
    this.code = code;
  }
}

/** Returns what was written; throws the problem of what was not. */
export function assertWritten(written: Written): WasWritten {
  if (!written.ok) throw new ServiceProblem(written.code, written.sentence ?? undefined);
  return written;
}

/** A service that must not be started as it was asked for: with what a person can do about it. */
export class ServiceUnusable extends Error {
  readonly remedy: string;
  constructor(message: string, remedy: string) {
    super(message);
    this.name = "ServiceUnusable";
    this.remedy = remedy;
  }
}

/** An error as it leaves. */
export interface ProblemAnswer {
  readonly status: number;
  readonly problem: Problem;
  /** True when the fault is the service's own and belongs in its log. */
  readonly ours: boolean;
}

/** What people and their number bring about. */
const NOT_OURS: ReadonlySet<ProblemCode> = new Set(["live-full", "questions-full", "question-dropped"]);

/** The problem of a code, with the catalogue's words or with a sentence of its own. */
export function problemAnswer(code: ProblemCode, sentence?: string, remedy?: string): ProblemAnswer {
  const entry = PROBLEMS[code];
  return {
    status: entry.status,
    problem: { code, sentence: sentence ?? entry.sentence, remedy: remedy ?? entry.remedy },
    ours: entry.status >= 500 && !NOT_OURS.has(code),
  };
}

/** What is said of an error, whoever threw it. */
export function describeError(error: unknown): ProblemAnswer {
  if (error instanceof ServiceProblem) return problemAnswer(error.code, error.message);
  if (error instanceof RowsRemoved) return problemAnswer("rows-removed", error.message, error.remedy);
  if (error instanceof StoreUnusable) return problemAnswer("store-failed", error.message, error.remedy);
  if (isResponseSerializationError(error)) return problemAnswer("internal");
  if (hasZodFastifySchemaValidationErrors(error)) {
    const first = error.validation[0];
    const place = [error.validationContext, ...(first?.instancePath ?? "").split("/")]
      .filter(Boolean)
      .join(" ");
    return problemAnswer(
      "bad-request",
      `The request's ${place} is not right: ${first?.message ?? "unknown"}.`,
    );
  }
  const code = textOf(error, "code");
  if (code === "FST_ERR_CTP_INVALID_MEDIA_TYPE") return problemAnswer("wrong-media-type");
  if (code === "FST_ERR_CTP_BODY_TOO_LARGE") return problemAnswer("too-large");
  if (code === "ENOSPC" || code === "EDQUOT") return problemAnswer("disk-full");
  if (code.startsWith("SQLITE_BUSY") || code.startsWith("SQLITE_LOCKED")) return problemAnswer("store-busy");
  if (code.startsWith("SQLITE_")) return problemAnswer("store-failed");
  const status = statusOf(error);
  if (status === 404) return problemAnswer("no-such-path");
  if (status >= 400 && status < 500) return problemAnswer("bad-request");
  return problemAnswer("internal");
}

function textOf(error: unknown, field: "code"): string {
  if (typeof error !== "object" || error === null || !(field in error)) return "";
  return String(error[field]);
}

function statusOf(error: unknown): number {
  if (typeof error !== "object" || error === null || !("statusCode" in error)) return 500;
  return Number(error.statusCode);
}

/** The problem that an error is: no gateway belongs to the site; any other error as it came. */
export function siteProblem(error: unknown): unknown {
  return error instanceof NoSuchSite
    ? new ServiceProblem("no-such-site", plainLine(`${error.message} ${error.remedy}`))
    : error;
}
