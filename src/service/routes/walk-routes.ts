/** GET /api/walk/:devAddr: where does a node that is carried about get through? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { DevAddrText, WindowQuery } from "../../contract/common.ts";
import { WalkView } from "../../contract/walk.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export const walkRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/walk/:devAddr",
    {
      schema: {
        summary: "A walk test: stops, and what every gateway heard of the node there",
        params: z.object({ devAddr: DevAddrText }),
        querystring: WindowQuery,
        response: answers(WalkView),
      },
    },
    async (request) => views.walk(request.params.devAddr, askedWindow(request.query), nowUs()),
  );
};
