/** /api/placements: where people say that gateways and antennas stand. Their text is data and shown as text only. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem } from "../../contract/common.ts";
import { PlacementChange, PlacementNew, PlacementsView, PlacementWritten } from "../../contract/trials.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { PLACEMENT_FAILS, type PlacementWork } from "../../store/placements.ts";
import { newPlacement, placementEdit } from "../../views/placements.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, type ViewRouteOptions } from "./answers.ts";

export interface PlacementRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "changePlacements">;
}

const OnePlacement = z.object({ id: z.coerce.number().int().min(1) });
const DONE = { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem } as const;

export const placementRoutes: FastifyPluginAsyncZod<PlacementRouteOptions> = async (
  app,
  { views, intake },
) => {
  const change = async (work: PlacementWork): Promise<number> => {
    const outcome = await intake.changePlacements(work);
    if (outcome === PLACEMENT_FAILS.full) throw new ServiceProblem("placements-full");
    if (outcome === PLACEMENT_FAILS.sameBegin) throw new ServiceProblem("placement-begins-twice");
    if (outcome === PLACEMENT_FAILS.otherGateway) throw new ServiceProblem("placement-elsewhere");
    if (outcome === PLACEMENT_FAILS.none) throw new ServiceProblem("no-such-placement");
    return outcome;
  };

  app.get(
    "/api/placements",
    { schema: { summary: "All placements, in order of their begin", response: answers(PlacementsView) } },
    async () => ({ placements: views.placements() }),
  );

  app.post(
    "/api/placements",
    {
      schema: {
        summary: "From a moment on, a gateway or antenna stands here",
        body: PlacementNew,
        response: answers(PlacementWritten),
      },
    },
    async ({ body }) => ({ id: await change({ kind: "add", placement: newPlacement(body) }) }),
  );

  app.put(
    "/api/placements/:id",
    {
      schema: { summary: "Change a placement", params: OnePlacement, body: PlacementChange, response: DONE },
    },
    async ({ params, body }, reply) => {
      await change({ kind: "change", id: params.id, edit: placementEdit(body) });
      return reply.code(204).send();
    },
  );

  app.delete(
    "/api/placements/:id",
    { schema: { summary: "Remove a placement", params: OnePlacement, response: DONE } },
    async ({ params }, reply) => {
      await change({ kind: "remove", id: params.id });
      return reply.code(204).send();
    },
  );
};
