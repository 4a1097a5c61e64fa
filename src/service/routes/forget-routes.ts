/** DELETE of a gateway or a node: all that is stored of it goes. What that would be is told first. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { DevAddrText, EuiText, Problem } from "../../contract/common.ts";
import { Forgotten } from "../../contract/forget.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import type { Forgettable } from "../../store/forget.ts";
import { ServiceProblem } from "../errors.ts";
import type { Views } from "../views.ts";
import { answers } from "./answers.ts";

export interface ForgetRouteOptions {
  readonly views: Pick<Views, "toBeForgotten">;
  readonly intake: Pick<IntakeHandle, "forget">;
}

const Gateway = z.object({ eui: EuiText });
const Node = z.object({ devAddr: DevAddrText });

export const forgetRoutes: FastifyPluginAsyncZod<ForgetRouteOptions> = async (app, { views, intake }) => {
  function told(thing: Forgettable): Forgotten {
    const forgotten = views.toBeForgotten(thing);
    if (forgotten === null)
      throw new ServiceProblem(thing.kind === "gateway" ? "no-such-gateway" : "no-such-node");
    return forgotten;
  }

  async function forget(thing: Forgettable): Promise<Forgotten> {
    const forgotten = told(thing);
    await intake.forget(thing);
    return forgotten;
  }

  const done = { 202: Forgotten, "4xx": Problem, "5xx": Problem };
  app.get(
    "/api/gateways/:eui/forgotten",
    {
      schema: {
        summary: "What would go if this gateway were forgotten",
        params: Gateway,
        response: answers(Forgotten),
      },
    },
    async ({ params: { eui } }) => told({ kind: "gateway", id: eui }),
  );
  app.delete(
    "/api/gateways/:eui",
    {
      schema: {
        summary: "Forget a gateway: all that is stored of it goes within seconds",
        params: Gateway,
        response: done,
      },
    },
    async ({ params: { eui } }, reply) => reply.code(202).send(await forget({ kind: "gateway", id: eui })),
  );
  app.get(
    "/api/nodes/:devAddr/forgotten",
    {
      schema: {
        summary: "What would go if this node were forgotten",
        params: Node,
        response: answers(Forgotten),
      },
    },
    async ({ params: { devAddr } }) => told({ kind: "node", id: devAddr }),
  );
  app.delete(
    "/api/nodes/:devAddr",
    {
      schema: {
        summary: "Forget a node in all its lives: all that is stored of it goes within seconds",
        params: Node,
        response: done,
      },
    },
    async ({ params: { devAddr } }, reply) =>
      reply.code(202).send(await forget({ kind: "node", id: devAddr })),
  );
};
