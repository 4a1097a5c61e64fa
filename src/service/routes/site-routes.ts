/** GET /api/site: how does the whole site stand? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { WindowQuery } from "../../contract/common.ts";
import { SiteView } from "../../contract/site.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export const siteRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/site",
    { schema: { summary: "The site at a glance", querystring: WindowQuery, response: answers(SiteView) } },
    async (request) => views.site(askedWindow(request.query), nowUs()),
  );
};
