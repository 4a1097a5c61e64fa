/** GET /api/air: what fills the channels? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { AirView } from "../../contract/air.ts";
import { WindowQuery } from "../../contract/common.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export const airRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/air",
    {
      schema: {
        summary: "Channels: utilisation, load, noise, strangers",
        querystring: WindowQuery,
        response: answers(AirView),
      },
    },
    async (request) => views.air(askedWindow(request.query), nowUs()),
  );
};
