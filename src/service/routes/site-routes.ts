/** /api/site: how does the whole site stand, and what is it called? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem, WindowQuery } from "../../contract/common.ts";
import { SiteNaming, SiteView } from "../../contract/site.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export interface SiteRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "nameSite">;
}

export const siteRoutes: FastifyPluginAsyncZod<SiteRouteOptions> = async (app, { views, intake, nowUs }) => {
  app.get(
    "/api/site",
    { schema: { summary: "The site at a glance", querystring: WindowQuery, response: answers(SiteView) } },
    async (request) => views.site(askedWindow(request.query), nowUs()),
  );

  app.put(
    "/api/site/name",
    {
      schema: {
        summary: "Name the site",
        body: SiteNaming,
        response: { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem },
      },
    },
    async ({ body }, reply) => {
      await intake.nameSite(body.name);
      return reply.code(204).send();
    },
  );
};
