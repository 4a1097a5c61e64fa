/** Where do gateways and nodes stand? GET, PUT and DELETE of positions, and the plan that is drawn from them. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { DevAddrText, EuiText, Problem, WindowQuery } from "../../contract/common.ts";
import { PlanView, PositionChange, PositionsView } from "../../contract/positions.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

const Thing = z.discriminatedUnion("kind", [
  z.object({ kind: z.literal("gateway"), id: EuiText }),
  z.object({ kind: z.literal("node"), id: DevAddrText }),
]);

const written = { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem };

export interface PositionRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "setPosition">;
}

export const positionRoutes: FastifyPluginAsyncZod<PositionRouteOptions> = async (
  app,
  { views, intake, nowUs },
) => {
  app.get(
    "/api/positions",
    { schema: { summary: "Positions given or known by GPS", response: answers(PositionsView) } },
    async () => views.positions(),
  );
  app.put(
    "/api/positions/:kind/:id",
    {
      schema: {
        summary: "Say where a gateway or node stands",
        params: Thing,
        body: PositionChange,
        response: written,
      },
    },
    async (request, reply) => {
      await intake.setPosition({ ...request.params, position: request.body });
      return reply.code(204).send();
    },
  );
  app.delete(
    "/api/positions/:kind/:id",
    { schema: { summary: "Take a position back", params: Thing, response: written } },
    async (request, reply) => {
      await intake.setPosition({ ...request.params, position: null });
      return reply.code(204).send();
    },
  );
  app.get(
    "/api/plan",
    {
      schema: {
        summary: "Gateways, nodes and their links on a plain plan",
        querystring: WindowQuery,
        response: answers(PlanView),
      },
    },
    async (request) => views.plan(askedWindow(request.query), nowUs()),
  );
};
