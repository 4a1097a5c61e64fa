/** GET /api/gateways: what is said of each gateway? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { WindowQuery } from "../../contract/common.ts";
import { GatewaysView } from "../../contract/gateways.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export const gatewayRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/gateways",
    {
      schema: {
        summary: "Every gateway: heartbeat, state, account",
        querystring: WindowQuery,
        response: answers(GatewaysView),
      },
    },
    async (request) => views.gateways(askedWindow(request.query), nowUs()),
  );
};
