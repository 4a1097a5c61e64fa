/** GET /api/report: the printable report of a window, as a file to keep. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem, WindowQuery } from "../../contract/common.ts";
import { renderReport } from "../../report/render-report.tsx";
import { ServiceProblem } from "../errors.ts";
import { askedWindow, type ViewRouteOptions } from "./answers.ts";

const ReportQuery = WindowQuery.extend({
  zone: z.string().max(64).default("UTC").describe("IANA name of the zone in which times are told"),
  payloads: z
    .enum(["yes", "no"])
    .default("no")
    .describe(
      "yes: with what the newest frames of own nodes hold, in clear where keys are at hand; never keys",
    ),
});

export interface ReportRouteOptions extends ViewRouteOptions {
  readonly version: string;
}

export const reportRoutes: FastifyPluginAsyncZod<ReportRouteOptions> = async (app, options) => {
  const { views, nowUs, version } = options;
  app.get(
    "/api/report",
    {
      schema: {
        summary: "The printable report: one HTML file without keys, and without payloads unless asked for",
        querystring: ReportQuery,
        response: { 200: z.string(), "4xx": Problem, "5xx": Problem },
      },
    },
    async (request, reply) => {
      const timeZone = knownZone(request.query.zone);
      const withPayloads = request.query.payloads === "yes";
      const now = nowUs();
      const madeAt = new Date(now / 1000).toISOString();
      const data = views.report({ timeZone, version, madeAt, withPayloads }, askedWindow(request.query), now);
      const day = data.window.from.slice(0, 10);
      return reply
        .type("text/html; charset=utf-8")
        .header("content-disposition", `attachment; filename="mastlog-report-${day}.html"`)
        .send(renderReport(data));
    },
  );
};

function knownZone(name: string): string {
  try {
    return new Intl.DateTimeFormat("en-GB", { timeZone: name }).resolvedOptions().timeZone;
  } catch {
    throw new ServiceProblem(
      "bad-request",
      "The time zone is not a known one, such as Europe/Berlin or UTC.",
    );
  }
}
