/**
 * How is the web service put together? Each group of routes is a plugin that is given what it needs; shared are only
 * the checks that every request passes, the one form of errors, and the live line. Listening is the caller's.
 */
import type { Server } from "node:http";
import fastifyHelmet from "@fastify/helmet";
import fastifySwagger from "@fastify/swagger";
import fastifyWebsocket from "@fastify/websocket";
import Fastify, {
  type FastifyBaseLogger,
  type FastifyInstance,
  type FastifyReply,
  LogController,
} from "fastify";
import {
  jsonSchemaTransform,
  serializerCompiler,
  validatorCompiler,
  type ZodTypeProvider,
} from "fastify-type-provider-zod";
import { z } from "zod";
import type { IntakeHandle } from "../intake/handle.ts";
import { reachableAddresses } from "../intake/udp-listener.ts";
import { guardAccess } from "./access.ts";
import {
  CaptureProgressList,
  captureRoutes,
  MAX_UPLOAD_OCTETS,
  sampleCaptures,
  Uploads,
} from "./captures.ts";
import { keepWhileAsked, limitConnections, MAX_OF_SOURCE } from "./connection-limit.ts";
import { API_INFO, apiDescription, liveDescription } from "./descriptions.ts";
import { type DiskSpace, NO_DISK_SPACE } from "./disk-space.ts";
import { describeError, problemAnswer, ServiceProblem, ServiceUnusable } from "./errors.ts";
import { type Exports, exportRoutes } from "./exports.ts";
import { LiveHub, MAX_MESSAGE_OCTETS } from "./live-hub.ts";
import { LIVE_PACE, type LiveClock, type LivePace, SYSTEM_CLOCK } from "./live-view.ts";
import { isLoopbackHost, phoneLink } from "./loopback.ts";
import { serviceMetrics } from "./metrics.ts";
import type { Publisher } from "./publisher.ts";
import { asks } from "./routes/answers.ts";
import { benchRoutes, downlinkTestRoutes } from "./routes/bench.ts";
import { placementPhotoRoutes, placementRoutes } from "./routes/placements.ts";
import { forgetRoutes, keptRoutes, reportRoutes, statusRoutes } from "./routes/service.ts";
import { keyRoutes, labelRoutes, markRoutes, positionRoutes, watchRoutes } from "./routes/user-data.ts";
import { liveAnswers, liveRoutes, siteRoutes, viewRoutes } from "./routes/views.ts";
import { compressAnswer, dashboard, ownNames, securityHeaders } from "./static.ts";
import { serviceStatus } from "./status.ts";
import type { Ask, Facts } from "./views.ts";
import type { WatchService } from "./watch-service.ts";

export interface ServiceOptions {
  /** Read on this thread. */
  readonly facts: Facts;
  /** Everything else that the store is asked. */
  readonly ask: Ask;
  readonly exports: Pick<Exports, "begin" | "list">;
  readonly intake: Omit<IntakeHandle, "close">;
  /** Folder of the built dashboard; null when it was not built. */
  readonly webRoot: string | null;
  readonly version: string;
  /** Milliseconds since 1970. */
  readonly now: () => number;
  /** Address and port that the caller will listen on. */
  readonly host: string;
  readonly port: number;
  /** Asked for on every path with data; must be given when `host` is open to the network (see tokenFor). */
  readonly token: string | null;
  /** Folder of our own for captures on their way in. */
  readonly uploadFolder: string;
  /** Folder with index.json and sample captures; null when none came along. */
  readonly samplesFolder: string | null;
  readonly logger: FastifyBaseLogger | null;
  /** Room left on the disk of the store; not known when not given. */
  readonly diskSpace?: () => DiskSpace;
  /** Watches and tells; started and closed by the caller. */
  readonly watch?: WatchService;
  /** Publishes to a broker; started and closed by the caller. */
  readonly publisher?: Pick<Publisher, "status" | "onMoved">;
  /** For tests: this machine's names, the pace of the live line and the clock, the largest upload. */
  readonly ownNames?: () => readonly string[];
  readonly livePace?: Partial<LivePace>;
  readonly liveClock?: LiveClock;
  readonly mostUploadOctets?: number;
  /** For tests: when a line on which nothing moves is cut. */
  readonly idleMs?: number;
}

/** Longest wait for a websocket's goodbye when the service ends. */
const GOODBYE_MS = 500;
/** A line on which nothing moves is cut: longer than it takes to look through a large capture before it is answered. Not while a view is worked out for it. */
const IDLE_MS = 120_000;
const MAX_CONNECTIONS = 512;
/** A connection whose request has not sent its headers by then is ended. Chosen: far above a slow phone's. */
const HEADERS_WITHIN_MS = 10_000;
const CHECK_EVERY_MS = 2_000;
/** Octets of a JSON body. */
const MAX_BODY_OCTETS = 64 * 1024;

/** The port that was given by the system where any free one was asked for. */
function boundPort(app: { readonly server: Server }, asked: number): number {
  const bound = app.server.address();
  return bound !== null && typeof bound === "object" ? bound.port : asked;
}

/** Builds the application; rejects with ServiceUnusable when it would be open to the network without a token. */
export async function buildService(options: ServiceOptions): Promise<FastifyInstance> {
  const { facts, ask, intake, version, now, host, port, token, logger } = options;
  if (token === null && !isLoopbackHost(host))
    throw new ServiceUnusable(
      `Listening on ${host} would show what this site hears to everyone on its network.`,
      "Give a token with --token, or let one be made.",
    );
  const nowUs = () => now() * 1000;
  const diskSpace = options.diskSpace ?? (() => NO_DISK_SPACE);
  const watch = options.watch ?? null;
  const publish = () => options.publisher?.status() ?? null;
  const startedAtMs = now();
  const clock = options.liveClock ?? SYSTEM_CLOCK;

  const app = Fastify({
    ...(logger === null ? { logger: false } : { loggerInstance: logger }),
    // Addresses of requests may carry the token; what is worth a line is logged where it happens.
    logController: new LogController({ disableRequestLogging: true }),
    bodyLimit: MAX_BODY_OCTETS,
    connectionTimeout: options.idleMs ?? IDLE_MS,
    http: { headersTimeout: HEADERS_WITHIN_MS, connectionsCheckingInterval: CHECK_EVERY_MS },
    forceCloseConnections: true,
    frameworkErrors: (error, _request, reply: FastifyReply) => {
      const { status, problem } = describeError(error);
      void reply.code(status).send(problem);
    },
    clientErrorHandler: (_error, socket) => {
      if (!socket.writable) {
        socket.destroy();
        return;
      }
      const body = JSON.stringify(problemAnswer("bad-request").problem);
      socket.end(
        `HTTP/1.1 400 Bad Request\r\ncontent-type: application/json\r\ncontent-length: ${Buffer.byteLength(body)}\r\nconnection: close\r\n\r\n${body}`,
      );
    },
  }).withTypeProvider<ZodTypeProvider>();
  limitConnections(app.server, { mostOfSource: MAX_OF_SOURCE, mostAltogether: MAX_CONNECTIONS });
  keepWhileAsked(app);
  app.setValidatorCompiler(validatorCompiler);
  app.setSerializerCompiler(serializerCompiler);
  app.setErrorHandler((error, request, reply) => {
    const { status, problem, ours } = describeError(error);
    if (ours)
      request.log.error(
        { err: error, method: request.method, route: request.routeOptions.url },
        problem.sentence,
      );
    if (status === 401) reply.header("www-authenticate", "Bearer");
    if (status === 429 || status === 503) reply.header("retry-after", "10");
    return reply.code(status).header("cache-control", "no-store").type("application/json").send(problem);
  });
  app.setNotFoundHandler(() => {
    throw new ServiceProblem("no-such-path");
  });

  const progress = new CaptureProgressList();
  const samples = sampleCaptures(options.samplesFolder);
  const captures = () => ({ captures: facts.captures((id) => progress.of(id)), samples: [...samples.rows] });
  const status = () =>
    serviceStatus({
      version,
      startedAtMs,
      nowMs: now(),
      intake,
      stored: facts.stored(),
      recentFromUs: facts.recentFromUs(nowUs()),
      refusals: facts.refusals().refusals,
      notices: facts.notices(nowUs()),
      addresses: reachableAddresses(),
      space: diskSpace(),
      watch: watch === null ? null : watch.summary(),
      publish: publish(),
    });
  const liveAnswer = liveAnswers({ ask, status, captures, nowUs });
  const hub = new LiveHub({
    clock,
    pace: { ...LIVE_PACE, ...options.livePace },
    compute: async (question, signal) => {
      await intake.look();
      return liveAnswer(question, signal);
    },
    describe: (error) => {
      const { problem, ours } = describeError(error);
      if (ours) app.log.error({ err: error }, "A live view could not be computed");
      return problem.sentence;
    },
  });
  const uploads = new Uploads({
    folder: options.uploadFolder,
    mostOctets: options.mostUploadOctets ?? MAX_UPLOAD_OCTETS,
    now,
  });

  await app.register(fastifyWebsocket, {
    // Small changes of one view after another are much alike: what was sent before is the compression's dictionary.
    options: { maxPayload: MAX_MESSAGE_OCTETS, perMessageDeflate: true },
    preClose: (done: () => void) => {
      hub.close(GOODBYE_MS);
      uploads.stop();
      done();
    },
    // A client that vanishes is no fault of the service.
    errorHandler: (error, socket) => {
      app.log.debug({ err: error }, "A live line broke");
      socket.terminate();
    },
  });
  const access = guardAccess({ host, port, token, clock, ownNames: options.ownNames ?? ownNames });
  app.addHook("onRequest", access.check);
  // What is stored and in no rows yet becomes rows before it is asked for. The dashboard's files rest on none.
  app.addHook("preHandler", async ({ url }) => {
    if (/^\/(api|metrics)\b/.test(url)) await intake.look();
  });
  app.addHook("onSend", compressAnswer);
  await app.register(fastifyHelmet, securityHeaders(host));
  await app.register(fastifySwagger, {
    openapi: { openapi: "3.1.0", info: API_INFO },
    transform: jsonSchemaTransform,
  });

  await app.register(statusRoutes, {
    facts,
    intake,
    version,
    status,
    diskSpace,
    phoneLink: () => phoneLink({ host, port: boundPort(app, port), token, addresses: reachableAddresses() }),
    metrics: serviceMetrics({ intake, facts, liveClients: () => hub.clientCount, diskSpace, publish }),
    siteFigures: async (signal) => {
      try {
        return await ask(signal).siteFigures(nowUs());
      } catch (error) {
        // Too busy to answer is said by a figure of its own; a fault must not take the service's figures away, either.
        if (!(error instanceof ServiceProblem))
          app.log.error({ err: error }, "The site's figures for Prometheus could not be computed");
        return null;
      }
    },
  });
  await app.register(siteRoutes, { intake });
  await app.register(downlinkTestRoutes, { ask, intake, nowUs });
  await app.register(viewRoutes, { ask, nowUs });
  await app.register(benchRoutes, { ask, intake, nowUs });
  await app.register(reportRoutes, { ask, nowUs, version });
  await app.register(exportRoutes, { exports: options.exports, nowUs });
  await app.register(captureRoutes, { captures, intake, uploads, samples });
  await app.register(labelRoutes, { intake });
  await app.register(forgetRoutes, { ask, intake });
  await app.register(keptRoutes, { facts, intake });
  await app.register(positionRoutes, { ask, intake, nowUs });
  await app.register(markRoutes, { ask, intake, nowUs });
  await app.register(placementRoutes, { ask, intake, nowUs });
  await app.register(placementPhotoRoutes, { ask, intake, nowUs });
  await app.register(keyRoutes, { ask, intake });
  if (watch !== null) await app.register(watchRoutes, { watch });
  await app.register(liveRoutes, { hub });
  await app.register(dashboard, { webRoot: options.webRoot, access });
  app.get("/api/openapi.json", asks("This description", z.record(z.string(), z.unknown())), async () =>
    apiDescription(app.swagger()),
  );
  app.get(
    "/api/asyncapi.json",
    asks("The live line at /live, as an AsyncAPI document", z.record(z.string(), z.unknown())),
    async (request) => liveDescription(request.host),
  );

  const stopListening = [
    intake.onCommit((delta) => hub.committed(delta)),
    intake.onCapture((moved) => {
      progress.note(moved);
      hub.captureMoved();
    }),
  ];
  watch?.onMoved(() => hub.statusMoved());
  options.publisher?.onMoved(() => hub.statusMoved());
  app.addHook("onClose", async () => {
    for (const stop of stopListening) stop();
  });
  await uploads.tidy();
  await app.ready();
  return app;
}
