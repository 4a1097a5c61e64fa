/** /api/marks: the notes that people pin to moments. Their text is data: stored, answered and shown as text only. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem, WindowQuery } from "../../contract/common.ts";
import { MarkChange, MarkPinned, MarkRequest, MarksQuery, MarksView } from "../../contract/marks.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { MARK_FAILS, type MarkWork } from "../../store/marks.ts";
import { markEdit, newMark } from "../../views/marks.ts";
import { ServiceProblem } from "../errors.ts";
import { answers, askedWindow, type ViewRouteOptions } from "./answers.ts";

export interface MarkRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "changeMarks">;
}

const OneMark = z.object({ id: z.coerce.number().int().min(1) });
const DONE = { 204: z.undefined().describe("written"), "4xx": Problem, "5xx": Problem } as const;

export const markRoutes: FastifyPluginAsyncZod<MarkRouteOptions> = async (app, { views, intake, nowUs }) => {
  const change = async (work: MarkWork): Promise<number> => {
    const outcome = await intake.changeMarks(work);
    if (outcome === MARK_FAILS.full) throw new ServiceProblem("marks-full");
    if (outcome === MARK_FAILS.endsEarly) throw new ServiceProblem("mark-ends-early");
    if (outcome === MARK_FAILS.none) throw new ServiceProblem("no-such-mark");
    return outcome;
  };

  app.get(
    "/api/marks",
    {
      schema: {
        summary: "Marks that touch the window, newest first",
        querystring: WindowQuery.extend(MarksQuery.shape),
        response: answers(MarksView),
      },
    },
    async ({ query }) => {
      const { gateway, node, kind } = query;
      return views.marks({ gateway, node, kind }, askedWindow(query), nowUs());
    },
  );

  app.post(
    "/api/marks",
    { schema: { summary: "Pin a mark", body: MarkRequest, response: answers(MarkPinned) } },
    async ({ body }) => ({ id: await change({ kind: "add", mark: newMark(body, nowUs()) }) }),
  );

  app.put(
    "/api/marks/:id",
    { schema: { summary: "Change a mark", params: OneMark, body: MarkChange, response: DONE } },
    async ({ params, body }, reply) => {
      await change({ kind: "change", id: params.id, edit: markEdit(body) });
      return reply.code(204).send();
    },
  );

  app.delete(
    "/api/marks/:id",
    { schema: { summary: "Remove a mark", params: OneMark, response: DONE } },
    async ({ params }, reply) => {
      await change({ kind: "remove", id: params.id });
      return reply.code(204).send();
    },
  );
};
