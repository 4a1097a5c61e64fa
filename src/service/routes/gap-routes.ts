/** GET /api/gaps and /api/gaps/:id: what was missed, when, by whom, and why? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { WindowQuery } from "../../contract/common.ts";
import { GapPage, GapsView } from "../../contract/gaps.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export const gapRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/gaps",
    {
      schema: {
        summary: "Dropouts, each with its finding",
        querystring: WindowQuery,
        response: answers(GapsView),
      },
    },
    async (request) => views.gaps(askedWindow(request.query), nowUs()),
  );

  app.get(
    "/api/gaps/:id",
    {
      schema: {
        summary: "One gap laid under its evidence",
        params: z.object({ id: z.string().max(80) }),
        response: answers(GapPage),
      },
    },
    async (request) => {
      const page = views.gap(request.params.id);
      if (page === null) throw new ServiceProblem("no-such-gap");
      return page;
    },
  );
};
