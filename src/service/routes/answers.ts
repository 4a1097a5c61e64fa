/** Which shapes may a route answer with? Its own on success, a problem of the catalogue otherwise. */
import { z } from "zod";
import { Problem, type WindowQuery } from "../../contract/common.ts";
import { ServiceProblem } from "../errors.ts";
import type { ProblemCode } from "../problems.ts";
import type { Ask } from "../views.ts";

/** Response schemas of a route: what is not in them does not leave. */
export function answers<S extends z.ZodType>(schema: S) {
  return { 200: schema, "4xx": Problem, "5xx": Problem } as const;
}

/** Response schemas of a route that answers with nothing but that it was written. */
export const WRITTEN = { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem } as const;

/** Returns what was found; throws the problem of that code where there is none. */
export function found<T>(answer: T | null, code: ProblemCode): T {
  if (answer === null) throw new ServiceProblem(code);
  return answer;
}

/** What most groups of routes are given. */
export interface ViewRouteOptions {
  /** With the request's signal: what nobody waits for is dropped. */
  readonly ask: Ask;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
}

/** The window of a query, when it is one. */
export function askedWindow(query: WindowQuery): WindowQuery {
  const { from, to, last, site } = query;
  if (last !== undefined && (from !== undefined || to !== undefined))
    throw new ServiceProblem("bad-request", "A window is either 'last' or 'from' and 'to', not both.");
  if (from !== undefined && to !== undefined && Date.parse(from) >= Date.parse(to))
    throw new ServiceProblem("bad-request", "The window ends before it begins.");
  return { from, to, last, ...(site === undefined ? {} : { site }) };
}
