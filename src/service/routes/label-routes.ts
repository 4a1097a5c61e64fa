/** PUT /api/labels/…: what do people call a gateway or a node, and is it their own? */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { LabelChange } from "../../contract/captures.ts";
import { DevAddrText, EuiText, Problem } from "../../contract/common.ts";
import type { IntakeHandle } from "../../intake/handle.ts";

const LabelledThing = z.discriminatedUnion("kind", [
  z.object({ kind: z.literal("gateway"), id: EuiText }),
  z.object({ kind: z.literal("node"), id: DevAddrText }),
]);

export const labelRoutes: FastifyPluginAsyncZod<{ intake: Pick<IntakeHandle, "setLabel"> }> = async (
  app,
  { intake },
) => {
  app.put(
    "/api/labels/:kind/:id",
    {
      schema: {
        summary: "Name a gateway or node, or say whose it is",
        params: LabelledThing,
        body: LabelChange,
        response: { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem },
      },
    },
    async (request, reply) => {
      await intake.setLabel({ ...request.params, ...request.body });
      return reply.code(204).send();
    },
  );
};
