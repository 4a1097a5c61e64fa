/** Is the service itself well? For the dashboard, for a supervisor, and for Prometheus. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import type { Registry } from "prom-client";
import { z } from "zod";
import { Problem } from "../../contract/common.ts";
import { Health, RefusalsView, ServiceStatus } from "../../contract/status.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import type { DiskSpace } from "../disk-space.ts";
import type { Views } from "../views.ts";
import { answers } from "./answers.ts";

export interface StatusRouteOptions {
  readonly views: Views;
  readonly intake: Pick<IntakeHandle, "figures">;
  readonly version: string;
  readonly status: () => ServiceStatus;
  readonly metrics: Registry;
  readonly diskSpace: () => DiskSpace;
}

export const statusRoutes: FastifyPluginAsyncZod<StatusRouteOptions> = async (app, options) => {
  const { views, intake, version, status, metrics, diskSpace } = options;

  app.get(
    "/api/status",
    { schema: { summary: "How the service itself is", response: answers(ServiceStatus) } },
    async () => status(),
  );

  app.get(
    "/api/refusals",
    {
      schema: {
        summary: "What was refused or odd, and the newest datagrams of each reason",
        response: answers(RefusalsView),
      },
    },
    async () => views.refusals(),
  );

  app.get(
    "/healthz",
    {
      schema: {
        summary: "200 while what arrives can be stored, 503 when not",
        response: { 200: Health, 503: Health, "4xx": Problem, "5xx": Problem },
      },
    },
    async (_request, reply) => {
      const { storage } = intake.figures();
      return reply
        .code(storage === "failed" ? 503 : 200)
        .send({ state: storage, space: diskSpace().state, version });
    },
  );

  app.get(
    "/metrics",
    {
      schema: {
        summary: "Figures for Prometheus",
        response: {
          200: { description: "text exposition format", content: { "text/plain": { schema: z.string() } } },
          "4xx": Problem,
          "5xx": Problem,
        },
      },
    },
    async (_request, reply) => reply.type(metrics.contentType).send(await metrics.metrics()),
  );
};
