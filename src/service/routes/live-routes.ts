/** GET /live: the websocket. Only the line is here; who sees what is LiveHub's. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { ServiceProblem } from "../errors.ts";
import type { LiveHub } from "../live-hub.ts";

export const liveRoutes: FastifyPluginAsyncZod<{ hub: LiveHub }> = async (app, { hub }) => {
  app.route({
    method: "GET",
    url: "/live",
    schema: { hide: true },
    onRequest: async (request) => {
      if (request.ws && hub.isFull) throw new ServiceProblem("live-full");
    },
    handler: async (_request, reply) => {
      // RFC 9110 section 15.5.22: a 426 names what to upgrade to.
      reply.header("upgrade", "websocket");
      throw new ServiceProblem("upgrade-needed");
    },
    wsHandler: (socket) => {
      const client = hub.admit(socket);
      if (client === null) return;
      socket.on("message", (data, isBinary) => client.receive(isBinary ? null : String(data)));
      socket.on("pong", () => client.alive());
      socket.on("close", () => client.gone());
    },
  });
};
