/** GET /api/bench/:eui: how does one gateway stand on the bench? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { BenchView } from "../../contract/bench.ts";
import { EuiText, WindowQuery } from "../../contract/common.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export const benchRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { views, nowUs }) => {
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
};
