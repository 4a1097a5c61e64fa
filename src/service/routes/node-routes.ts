/** The nodes, one node, and what the figures rest on: receptions, and a frame opened to its octets. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { DevAddrText, EuiText, WindowQuery } from "../../contract/common.ts";
import { JoinsView } from "../../contract/joins.ts";
import { FrameView, NodePage, NodesView, ReceptionPage } from "../../contract/nodes.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

const Life = z.coerce.number().int().min(1).max(Number.MAX_SAFE_INTEGER).describe("counter life, from 1");
const RowId = z.coerce.number().int().min(0).max(Number.MAX_SAFE_INTEGER);

const ReceptionsQuery = WindowQuery.extend({
  devAddr: DevAddrText.optional(),
  life: Life.optional().describe("with devAddr; without it the first life"),
  gateway: EuiText.optional(),
  before: z.string().max(64).optional().describe("'next' of the page before"),
  limit: z.coerce.number().int().min(1).max(500).default(100),
});

export const nodeRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/nodes",
    { schema: { summary: "Every node heard", querystring: WindowQuery, response: answers(NodesView) } },
    async (request) => views.nodes(askedWindow(request.query), nowUs()),
  );

  app.get(
    "/api/joins",
    {
      schema: {
        summary: "Devices that ask to join, and what became of it",
        querystring: WindowQuery,
        response: answers(JoinsView),
      },
    },
    async (request) => views.joins(askedWindow(request.query), nowUs()),
  );

  app.get(
    "/api/nodes/:devAddr/:life",
    {
      schema: {
        summary: "One node in one counter life",
        params: z.object({ devAddr: DevAddrText, life: Life }),
        querystring: WindowQuery,
        response: answers(NodePage),
      },
    },
    async (request) => {
      const { devAddr, life } = request.params;
      const page = views.node(devAddr, life, askedWindow(request.query), nowUs());
      if (page === null) throw new ServiceProblem("no-such-node");
      return page;
    },
  );

  app.get(
    "/api/receptions",
    {
      schema: {
        summary: "Receptions, newest first, in pages",
        querystring: ReceptionsQuery,
        response: answers(ReceptionPage),
      },
    },
    async (request) => {
      const { from, to, last, ...question } = request.query;
      if (question.life !== undefined && question.devAddr === undefined)
        throw new ServiceProblem("bad-request", "A life is asked for together with its 'devAddr'.");
      const page = views.receptions(question, askedWindow({ from, to, last }), nowUs());
      if (page === null && question.before === undefined) throw new ServiceProblem("no-such-node");
      if (page === null) throw new ServiceProblem("bad-request", "There is no such page of receptions.");
      return page;
    },
  );

  app.get(
    "/api/frames/:id",
    {
      schema: {
        summary: "One frame: its octets, what each means, who heard it",
        params: z.object({ id: RowId }),
        response: answers(FrameView),
      },
    },
    async (request) => {
      const frame = views.frame(request.params.id);
      if (frame === null) throw new ServiceProblem("no-such-frame");
      return frame;
    },
  );
};
