/** GET /api/trials and /api/compare: which placement hears better? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { WindowQuery } from "../../contract/common.ts";
import { TrialAnswer, TrialsView } from "../../contract/trials.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

const SideText = z.string().min(1).max(80).describe("key, placement by name, EUI, or EUI/antenna");

export const trialRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
  app.get(
    "/api/trials",
    {
      schema: {
        summary: "Placements, compared pair by pair; one pair in full",
        querystring: WindowQuery.extend({ a: SideText.optional(), b: SideText.optional() }),
        response: answers(TrialsView),
      },
    },
    async ({ query }) => {
      const { a, b } = query;
      const pair = a === undefined || b === undefined ? null : { a, b };
      return views.trials(pair, askedWindow(query), nowUs());
    },
  );

  app.get(
    "/api/compare",
    {
      schema: {
        summary: "Two placements, gateways or antennas compared",
        querystring: WindowQuery.extend({ a: SideText, b: SideText }),
        response: answers(TrialAnswer),
      },
    },
    async ({ query }) => {
      const answer = views.compare(query.a, query.b, askedWindow(query), nowUs());
      if (answer === null) throw new ServiceProblem("no-such-side");
      return answer;
    },
  );
};
