/** Is the service itself well? For the dashboard, for a supervisor, and for Prometheus. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import type { Registry } from "prom-client";
import { z } from "zod";
import { DevAddrText, EuiText, Problem, WindowQuery } from "../../contract/common.ts";
import {
  Health,
  KeptRule,
  KeptView,
  PhoneLink,
  RefusalsView,
  ServiceStatus,
} from "../../contract/service.ts";
import { Forgotten } from "../../contract/user-data.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import type { Forgettable } from "../../store/forget.ts";
import type { SiteFigures } from "../../views/site-figures.ts";
import type { DiskSpace } from "../disk-space.ts";
import { assertWritten, ServiceProblem } from "../errors.ts";
import { isAskedHere } from "../loopback.ts";
import { siteMetrics } from "../metrics.ts";
import type { Ask, Facts } from "../views.ts";
import { askedWindow, asks, type ViewRouteOptions, writer } from "./answers.ts";

/** A scrape is given up after 10 s, unless it was set otherwise (Prometheus, `scrape_timeout`). */
const SITE_WITHIN_MS = 5_000;

export interface StatusRouteOptions {
  readonly facts: Facts;
  readonly intake: Pick<IntakeHandle, "figures">;
  readonly version: string;
  readonly status: () => ServiceStatus;
  readonly metrics: Registry;
  /** null: not to be had before the signal came. */
  readonly siteFigures: (signal: AbortSignal) => Promise<SiteFigures | null>;
  readonly diskSpace: () => DiskSpace;
  readonly phoneLink: () => PhoneLink;
}

export const statusRoutes: FastifyPluginAsyncZod<StatusRouteOptions> = async (app, options) => {
  const { facts, intake, version, status, metrics, siteFigures, diskSpace, phoneLink } = options;

  app.get("/api/status", asks("How the service itself is", ServiceStatus), async () => status());

  app.get(
    "/api/phone-link",
    asks("The address that opens the dashboard on a phone, given to this machine's browser only", PhoneLink),
    async (request) => {
      if (!isAskedHere(request)) throw new ServiceProblem("only-here");
      return phoneLink();
    },
  );

  app.get(
    "/api/refusals",
    asks("What was rejected or odd, and the newest datagrams of each reason", RefusalsView),
    async () => facts.refusals(),
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
    async ({ signal }, reply) => {
      // Figures of the site wait for a reading thread; those of the service never do.
      const ofSite = siteMetrics(
        await siteFigures(AbortSignal.any([signal, AbortSignal.timeout(SITE_WITHIN_MS)])),
      );
      const text = `${await metrics.metrics()}${await ofSite.metrics()}`;
      return reply.type(metrics.contentType).send(text);
    },
  );
};

// GET /api/report: the printable report of a window, as a file to keep.

const ReportQuery = WindowQuery.extend({
  zone: z.string().max(64).default("UTC").describe("IANA name of the zone in which times are written"),
  payloads: z
    .enum(["yes", "no"])
    .default("no")
    .describe(
      "yes: with what the newest frames of own nodes hold, decrypted where keys are available; never keys",
    ),
});

export interface ReportRouteOptions extends ViewRouteOptions {
  readonly version: string;
}

export const reportRoutes: FastifyPluginAsyncZod<ReportRouteOptions> = async (app, options) => {
  const { ask, nowUs, version } = options;
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
      const report = await ask(request.signal).report(
        { timeZone, version, madeAt, withPayloads },
        askedWindow(request.query),
        now,
      );
      const day = report.from.slice(0, 10);
      return reply
        .type("text/html; charset=utf-8")
        .header("content-disposition", `attachment; filename="mastlog-report-${day}.html"`)
        .send(report.html);
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

// GET and PUT of what is kept: receptions that are older go, and their hours stay.

export interface KeptRouteOptions {
  readonly facts: Pick<Facts, "kept">;
  readonly intake: Pick<IntakeHandle, "change">;
}

export const keptRoutes: FastifyPluginAsyncZod<KeptRouteOptions> = async (app, { facts, intake }) => {
  const write = writer(app, intake);
  app.get(
    "/api/kept",
    asks("How long receptions are kept, and what was removed by that", KeptView),
    async () => facts.kept(),
  );
  write(
    "PUT",
    "/api/kept",
    "Say how long receptions are kept: what is older is removed behind the traffic, for good",
    { body: KeptRule },
    ({ body }) => ({ entity: "kept-rule", rule: body }),
  );
};

// DELETE of a gateway or a node: all that is stored of it goes. What that would be is counted first.

export interface ForgetRouteOptions {
  readonly ask: Ask;
  readonly intake: Pick<IntakeHandle, "forget">;
}

const Gateway = z.object({ eui: EuiText });
const Node = z.object({ devAddr: DevAddrText });

export const forgetRoutes: FastifyPluginAsyncZod<ForgetRouteOptions> = async (app, { ask, intake }) => {
  async function counted(thing: Forgettable, signal: AbortSignal): Promise<Forgotten> {
    const forgotten = await ask(signal).toBeForgotten(thing);
    if (forgotten === null)
      throw new ServiceProblem(thing.kind === "gateway" ? "no-such-gateway" : "no-such-node");
    return forgotten;
  }

  async function forget(thing: Forgettable, signal: AbortSignal): Promise<Forgotten> {
    const forgotten = await counted(thing, signal);
    assertWritten(await intake.forget(thing));
    return forgotten;
  }

  const done = { 202: Forgotten, "4xx": Problem, "5xx": Problem };
  app.get(
    "/api/gateways/:eui/forgotten",
    asks("What would go if this gateway were forgotten", Forgotten, { params: Gateway }),
    async ({ params: { eui }, signal }) => counted({ kind: "gateway", id: eui }, signal),
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
    async ({ params: { eui }, signal }, reply) =>
      reply.code(202).send(await forget({ kind: "gateway", id: eui }, signal)),
  );
  app.get(
    "/api/nodes/:devAddr/forgotten",
    asks("What would go if this node were forgotten", Forgotten, { params: Node }),
    async ({ params: { devAddr }, signal }) => counted({ kind: "node", id: devAddr }, signal),
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
    async ({ params: { devAddr }, signal }, reply) =>
      reply.code(202).send(await forget({ kind: "node", id: devAddr }, signal)),
  );
};
