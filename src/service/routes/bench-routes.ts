/** /api/bench/:eui: how does one gateway stand on the bench? /api/bench-reference: against which gateway is it measured? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { BenchReferenceChange, BenchReferenceView, BenchView } from "../../contract/bench.ts";
import { EuiText, Problem, WindowQuery } from "../../contract/common.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export interface BenchRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "setBenchReference">;
}

const DONE = { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem } as const;

export const benchRoutes: FastifyPluginAsyncZod<BenchRouteOptions> = async (
  app,
  { views, intake, nowUs },
) => {
  app.get(
    "/api/bench/:eui",
    {
      schema: {
        summary: "One gateway on the bench: its checks, its verdict, its last datagrams",
        params: z.object({ eui: EuiText }),
        querystring: WindowQuery,
        response: answers(BenchView),
      },
    },
    async (request) => {
      const view = views.bench(request.params.eui, askedWindow(request.query), nowUs());
      if (view === null) throw new ServiceProblem("no-such-gateway");
      return view;
    },
  );

  app.get(
    "/api/bench-reference",
    {
      schema: {
        summary: "The known good gateway that bench lists measure against, and the limits",
        response: answers(BenchReferenceView),
      },
    },
    async () => ({ reference: views.benchReference() }),
  );

  app.put(
    "/api/bench-reference",
    {
      schema: {
        summary: "Measure every other gateway's bench list against this one",
        body: BenchReferenceChange,
        response: DONE,
      },
    },
    async ({ body }, reply) => {
      await intake.setBenchReference(body);
      return reply.code(204).send();
    },
  );

  app.delete(
    "/api/bench-reference",
    { schema: { summary: "Measure bench lists against no other gateway", response: DONE } },
    async (_, reply) => {
      await intake.setBenchReference(null);
      return reply.code(204).send();
    },
  );
};
