/** Every view that is read, and what its figures rest on: receptions, and a frame opened to its octets. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { AirView } from "../../contract/air.ts";
import { CapacityQuery, CapacityView, NodeCostView, PowerQuery } from "../../contract/capacity.ts";
import { DevAddrText, EuiText, WindowQuery } from "../../contract/common.ts";
import { GapPage, GapsView } from "../../contract/gaps.ts";
import { DownlinksView, GatewaysView } from "../../contract/gateways.ts";
import { WalkView } from "../../contract/link.ts";
import { TOPIC_VIEWS } from "../../contract/live.ts";
import { FrameView, NodePage, NodesView, ReceptionPage } from "../../contract/nodes.ts";
import { StrangersView } from "../../contract/others-on-air.ts";
import type { CapturesView, ServiceStatus } from "../../contract/service.ts";
import { JoinsView, SiteNaming, SiteView } from "../../contract/site.ts";
import { TrialAnswer, TrialsView } from "../../contract/trials.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import { ServiceProblem } from "../errors.ts";
import type { LiveHub } from "../live-hub.ts";
import type { LiveAnswer, LiveQuestion } from "../live-view.ts";
import type { Ask } from "../views.ts";
import { answers, askedWindow, asks, found, type ViewRouteOptions, writer } from "./answers.ts";

const Life = z.coerce.number().int().min(1).max(Number.MAX_SAFE_INTEGER).describe("counter life, from 1");
const RowId = z.coerce.number().int().min(0).max(Number.MAX_SAFE_INTEGER);

const ReceptionsQuery = WindowQuery.extend({
  devAddr: DevAddrText.optional(),
  life: Life.optional().describe("with devAddr; without it the first life"),
  gateway: EuiText.optional(),
  before: z.string().max(64).optional().describe("'next' of the page before"),
  limit: z.coerce.number().int().min(1).max(500).default(100),
});

const SideText = z.string().min(1).max(80).describe("key, placement by name, EUI, or EUI/antenna");

/** Views that are asked for a window and nothing else. */
const OF_A_WINDOW = [
  { path: "/api/site", view: "site", summary: "The site at a glance", answer: SiteView },
  {
    path: "/api/gateways",
    view: "gateways",
    summary: "Every gateway: heartbeat, state, account",
    answer: GatewaysView,
  },
  { path: "/api/nodes", view: "nodes", summary: "Every node heard", answer: NodesView },
  {
    path: "/api/joins",
    view: "joins",
    summary: "Devices that ask to join, and what became of it",
    answer: JoinsView,
  },
  {
    path: "/api/air",
    view: "air",
    summary: "Channels: utilisation, load, noise, strangers",
    answer: AirView,
  },
  {
    path: "/api/strangers",
    view: "strangers",
    summary: "Neighbours' networks: airtime, growth by week, collisions that they should cost each own node",
    answer: StrangersView,
  },
  { path: "/api/gaps", view: "gaps", summary: "Dropouts, each with its finding", answer: GapsView },
] as const;

export const viewRoutes: FastifyPluginAsyncZod<ViewRouteOptions> = async (app, { ask, nowUs }) => {
  for (const { path, view, summary, answer } of OF_A_WINDOW)
    app.get(
      path,
      { schema: { summary, querystring: WindowQuery, response: answers<z.ZodType>(answer) } },
      async ({ query, signal }) => ask(signal)[view](askedWindow(query), nowUs()),
    );

  app.get(
    "/api/nodes/:devAddr/:life",
    asks("One node in one counter life", NodePage, {
      params: z.object({ devAddr: DevAddrText, life: Life }),
      querystring: WindowQuery,
    }),
    async (request) => {
      const { devAddr, life } = request.params;
      return found(
        await ask(request.signal).node(devAddr, life, askedWindow(request.query), nowUs()),
        "no-such-node",
      );
    },
  );

  app.get(
    "/api/receptions",
    asks("Receptions, newest first, in pages", ReceptionPage, { querystring: ReceptionsQuery }),
    async (request) => {
      const { from, to, last, site, ...question } = request.query;
      if (question.life !== undefined && question.devAddr === undefined)
        throw new ServiceProblem("bad-request", "A life is asked for together with its 'devAddr'.");
      const page = await ask(request.signal).receptions(
        question,
        askedWindow({ from, to, last, site }),
        nowUs(),
      );
      if (page === null && question.before === undefined) throw new ServiceProblem("no-such-node");
      if (page === null) throw new ServiceProblem("bad-request", "There is no such page of receptions.");
      return page;
    },
  );

  app.get(
    "/api/frames/:id",
    asks("One frame: its octets, what each means, who heard it", FrameView, {
      params: z.object({ id: RowId }),
    }),
    async (request) => {
      return found(await ask(request.signal).frame(request.params.id), "no-such-frame");
    },
  );

  app.get(
    "/api/capacity",
    asks(
      "Room for more nodes: how many like these until delivery falls below a share, and what frees airtime",
      CapacityView,
      { querystring: WindowQuery.extend(CapacityQuery.shape) },
    ),
    async ({ query: { share, ...window }, signal }) =>
      ask(signal).capacity(share, askedWindow(window), nowUs()),
  );

  app.get(
    "/api/nodes/:devAddr/cost",
    asks(
      "What one node pays: airtime and charge a day, and what a faster data rate would change",
      NodeCostView,
      { params: z.object({ devAddr: DevAddrText }), querystring: WindowQuery.extend(PowerQuery.shape) },
    ),
    async ({ params, query: { from, to, last, site, ...power }, signal }) => {
      const window = askedWindow({ from, to, last, site });
      return found(await ask(signal).nodeCost(params.devAddr, power, window, nowUs()), "no-such-node");
    },
  );

  app.get(
    "/api/gaps/:id",
    asks("One gap laid under its evidence", GapPage, { params: z.object({ id: z.string().max(80) }) }),
    async (request) => {
      return found(await ask(request.signal).gap(request.params.id), "no-such-gap");
    },
  );

  app.get(
    "/api/downlinks",
    asks(
      "Packets that servers handed to gateways for sending, newest first; of one gateway or node, or all",
      DownlinksView,
      { querystring: WindowQuery.extend({ gateway: EuiText.optional(), devAddr: DevAddrText.optional() }) },
    ),
    async ({ query: { gateway, devAddr, ...window }, signal }) =>
      ask(signal).downlinks({ gatewayEui: gateway, devAddr }, askedWindow(window), nowUs()),
  );

  app.get(
    "/api/walk/:devAddr",
    asks("A walk test: stops, and what every gateway heard of the node there", WalkView, {
      params: z.object({ devAddr: DevAddrText }),
      querystring: WindowQuery,
    }),
    async (request) => ask(request.signal).walk(request.params.devAddr, askedWindow(request.query), nowUs()),
  );

  app.get(
    "/api/trials",
    asks("Placements, compared pair by pair; one pair in full", TrialsView, {
      querystring: WindowQuery.extend({ a: SideText.optional(), b: SideText.optional() }),
    }),
    async ({ query, signal }) => {
      const { a, b } = query;
      const pair = a === undefined || b === undefined ? null : { a, b };
      return ask(signal).trials(pair, askedWindow(query), nowUs());
    },
  );

  app.get(
    "/api/compare",
    asks("Two placements, gateways or antennas compared", TrialAnswer, {
      querystring: WindowQuery.extend({ a: SideText, b: SideText }),
    }),
    async ({ query, signal }) => {
      return found(await ask(signal).compare(query.a, query.b, askedWindow(query), nowUs()), "no-such-side");
    },
  );
};

// PUT /api/site/name: what is the site called?

export const siteRoutes: FastifyPluginAsyncZod<{ intake: Pick<IntakeHandle, "change"> }> = async (
  app,
  { intake },
) => {
  const write = writer(app, intake);
  write("PUT", "/api/site/name", "Name the site", { body: SiteNaming }, ({ body }) => ({
    entity: "site-name",
    name: body.name,
  }));
};

// GET /live: the websocket. Only the line is here; who sees what is LiveHub's.

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

// What does each live topic show? The same answers as the routes give, cut to the contract in the same way.

/** Receptions in the live list. */
const FEED_ROWS = 100;

export interface LiveAnswerSources {
  readonly ask: Ask;
  readonly status: () => ServiceStatus;
  readonly captures: () => CapturesView;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
}

/** Computes a topic's view now. Rejects with a ServiceProblem for a node, gateway or plan that is not there. */
export function liveAnswers(
  sources: LiveAnswerSources,
): (question: LiveQuestion, signal: AbortSignal) => Promise<LiveAnswer> {
  return async (question, signal) =>
    TOPIC_VIEWS[question.topic].view.parse(await answer(sources, question, signal));
}

async function answer(
  { ask, status, captures, nowUs }: LiveAnswerSources,
  question: LiveQuestion,
  signal: AbortSignal,
): Promise<unknown> {
  const views = ask(signal);
  const window = { last: question.last, ...(question.site === null ? {} : { site: question.site }) };
  switch (question.topic) {
    case "status":
      return status();
    case "captures":
      return captures();
    case "site":
      return views.site(window, nowUs());
    case "nodes":
      return views.nodes(window, nowUs());
    case "air":
      return views.air(window, nowUs());
    case "bench": {
      const [eui = "", ...plan] = (question.key ?? "").split("/");
      const expected = plan.length === 0 ? null : plan.join("/");
      const view = await views.bench(eui, window, nowUs(), expected);
      if (view === null) throw new ServiceProblem("no-such-gateway");
      return view;
    }
    case "trials": {
      const [a = "", b = ""] = (question.key ?? "").split("~");
      return views.trials(a === "" || b === "" ? null : { a, b }, window, nowUs());
    }
    case "marks":
      return views.marks({}, window, nowUs());
    case "gaps":
      return views.gaps(window, nowUs());
    case "feed": {
      const page = await views.receptions({ limit: FEED_ROWS }, window, nowUs());
      return { receptions: page?.receptions ?? [] };
    }
    case "node": {
      const [devAddr = "", life = ""] = (question.key ?? "").split("/");
      const page = await views.node(devAddr, Number(life), window, nowUs());
      if (page === null) throw new ServiceProblem("no-such-node");
      return page;
    }
  }
}
