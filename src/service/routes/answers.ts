/** Which shapes may a route answer with? Its own on success, a problem of the catalogue otherwise. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem, type WindowQuery } from "../../contract/common.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import type { UserChange } from "../../store/user-changes.ts";
import { assertWritten, ServiceProblem } from "../errors.ts";
import type { ProblemCode } from "../problems.ts";
import type { Ask } from "../views.ts";

/** Response schemas of a route: what is not in them does not leave. */
export function answers<S extends z.ZodType>(schema: S) {
  return { 200: schema, "4xx": Problem, "5xx": Problem } as const;
}

/** What a route takes of its request. */
interface Taken {
  readonly params?: z.ZodType;
  readonly querystring?: z.ZodType;
  readonly body?: z.ZodType;
}

/** Options of a route that answers with `answer`. */
export function asks<S extends z.ZodType, T extends Taken = Record<never, never>>(
  summary: string,
  answer: S,
  taken?: T,
) {
  return { schema: { summary, ...(taken as T), response: answers(answer) } };
}

/** Returns what registers a route that writes the change its request asks for, and answers with nothing. */
export function writer(app: Parameters<FastifyPluginAsyncZod>[0], intake: Pick<IntakeHandle, "change">) {
  return <P extends z.ZodType, B extends z.ZodType>(
    method: "PUT" | "DELETE",
    url: string,
    summary: string,
    taken: { readonly params?: P; readonly body?: B },
    asked: (request: { readonly params: z.output<P>; readonly body: z.output<B> }) => UserChange,
  ): void => {
    app.route({
      method,
      url,
      schema: { summary, ...taken, response: WRITTEN },
      handler: async ({ params, body }, reply) => {
        // What passed the schemas is of their types.
        const request = { params: params as z.output<P>, body: body as z.output<B> };
        assertWritten(await intake.change(asked(request)));
        return reply.code(204).send();
      },
    });
  };
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

/** What groups are given that write too. */
export interface ChangeRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "change">;
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
