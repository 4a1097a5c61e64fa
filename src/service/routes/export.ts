/** GET /api/export: a table out of the store, as a file that flows while it is read. GET /api/exports: how far each is. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem } from "../../contract/common.ts";
import { ExportQuery, ExportsView } from "../../contract/service.ts";
import { whyNot } from "../../export/export.ts";
import { ServiceProblem } from "../errors.ts";
import { CONTENT_TYPES, type Exports } from "../exports.ts";
import { askedWindow } from "./answers.ts";

export interface ExportRouteOptions {
  readonly exports: Pick<Exports, "begin" | "list">;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
}

export const exportRoutes: FastifyPluginAsyncZod<ExportRouteOptions> = async (app, { exports, nowUs }) => {
  app.get(
    "/api/exports",
    {
      schema: {
        summary: "Exports over HTTP that run, or that ended in the last minute, and how far they are",
        response: { 200: ExportsView, "4xx": Problem, "5xx": Problem },
      },
    },
    async () => ({ exports: exports.list() }),
  );

  app.get(
    "/api/export",
    {
      schema: {
        summary:
          "A table as a file: CSV, JSON lines, one Parquet file, or a packet capture of the receptions",
        querystring: ExportQuery,
        response: {
          200: {
            description: "the file, streamed; its name stands in content-disposition",
            content: Object.fromEntries(
              Object.values(CONTENT_TYPES).map((type) => [
                type.split(";")[0],
                { schema: z.string().describe("octets") },
              ]),
            ),
          },
          "4xx": Problem,
          "5xx": Problem,
        },
      },
    },
    async (request, reply) => {
      const { from, to, last, site, ...question } = request.query;
      const reason = whyNot(question.what, question.format);
      if (reason !== null) throw new ServiceProblem("bad-request", reason);
      const window = askedWindow({ from, to, last, site });
      const { name, stream } = await exports.begin({ ...question, ...window }, nowUs());
      request.signal.addEventListener("abort", () => stream.destroy());
      return reply
        .type(CONTENT_TYPES[question.format])
        .header("content-disposition", `attachment; filename="${name}"`)
        .send(stream);
    },
  );
};
