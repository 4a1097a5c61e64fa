/** GET /api/gateways and /api/downlinks: what is said of each gateway, and what was it asked to send? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { DevAddrText, EuiText, WindowQuery } from "../../contract/common.ts";
import { DownlinksView } from "../../contract/downlinks.ts";
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

  app.get(
    "/api/downlinks",
    {
      schema: {
        summary:
          "Packets that servers handed to gateways for sending, newest first; of one gateway or node, or all",
        querystring: WindowQuery.extend({ gateway: EuiText.optional(), devAddr: DevAddrText.optional() }),
        response: answers(DownlinksView),
      },
    },
    async ({ query: { gateway, devAddr, ...window } }) =>
      views.downlinks({ gatewayEui: gateway, devAddr }, askedWindow(window), nowUs()),
  );
};
