/** /api/marks: the notes that people pin to moments. Their text is data: stored, answered and shown as text only. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { DevAddrText, EuiText, WindowQuery } from "../../contract/common.ts";
import { LabelChange } from "../../contract/service.ts";
import { MarkEffect, MarkEffectQuery } from "../../contract/trials.ts";
import {
  KeysTaken,
  KeysUpload,
  KeysView,
  MarkChange,
  MarkPinned,
  MarkRequest,
  MarksQuery,
  MarksView,
  PlanView,
  PositionChange,
  PositionsView,
} from "../../contract/user-data.ts";
import { WatchesView, WatchMessage, WatchRules } from "../../contract/watches.ts";
import type { IntakeHandle } from "../../intake/handle.ts";
import type { KeyWork } from "../../store/user-changes.ts";
import type { MarkWork } from "../../store/user-data.ts";
import { markEdit, newMark } from "../../views/user-data.ts";
import { assertWritten, ServiceProblem } from "../errors.ts";
import type { Ask } from "../views.ts";
import type { WatchService } from "../watch-service.ts";
import { answers, askedWindow, asks, type ChangeRouteOptions, writer } from "./answers.ts";

const OneMark = z.object({ id: z.coerce.number().int().min(1) });
export const markRoutes: FastifyPluginAsyncZod<ChangeRouteOptions> = async (app, { ask, intake, nowUs }) => {
  const write = writer(app, intake);
  const change = async (work: MarkWork) => assertWritten(await intake.change({ entity: "mark", work }));

  app.get(
    "/api/marks",
    asks("Marks that touch the window, newest first", MarksView, {
      querystring: WindowQuery.extend(MarksQuery.shape),
    }),
    async ({ query, signal }) => {
      const { gateway, node, kind } = query;
      return ask(signal).marks({ gateway, node, kind }, askedWindow(query), nowUs());
    },
  );

  app.post("/api/marks", asks("Pin a mark", MarkPinned, { body: MarkRequest }), async ({ body }) => ({
    id: (await change({ kind: "add", mark: newMark(body, nowUs()) })).result,
  }));

  write(
    "PUT",
    "/api/marks/:id",
    "Change a mark",
    { params: OneMark, body: MarkChange },
    ({ params, body }) => ({
      entity: "mark",
      work: { kind: "change", id: params.id, edit: markEdit(body) },
    }),
  );

  app.get(
    "/api/marks/:id/effect",
    asks("Is it better since a mark? The time before it compared with the time after", MarkEffect, {
      params: OneMark,
      querystring: MarkEffectQuery,
    }),
    async ({ params, query, signal }) => {
      const effect = await ask(signal).markEffect(params.id, query);
      if (typeof effect === "string") throw new ServiceProblem(effect);
      return effect;
    },
  );

  write("DELETE", "/api/marks/:id", "Remove a mark", { params: OneMark }, ({ params }) => ({
    entity: "mark",
    work: { kind: "remove", id: params.id },
  }));
};

// Where do gateways and nodes stand? GET, PUT and DELETE of positions, and the plan that is drawn from them.

const Thing = z.discriminatedUnion("kind", [
  z.object({ kind: z.literal("gateway"), id: EuiText }),
  z.object({ kind: z.literal("node"), id: DevAddrText }),
]);

export const positionRoutes: FastifyPluginAsyncZod<ChangeRouteOptions> = async (
  app,
  { ask, intake, nowUs },
) => {
  const write = writer(app, intake);
  app.get("/api/positions", asks("Positions given or known by GPS", PositionsView), async ({ signal }) =>
    ask(signal).positions(),
  );
  write(
    "PUT",
    "/api/positions/:kind/:id",
    "Say where a gateway or node stands",
    { params: Thing, body: PositionChange },
    ({ params, body }) => ({ entity: "position", request: { ...params, position: body } }),
  );
  write("DELETE", "/api/positions/:kind/:id", "Take a position back", { params: Thing }, ({ params }) => ({
    entity: "position",
    request: { ...params, position: null },
  }));
  app.get(
    "/api/plan",
    asks("Gateways, nodes and their links on a plain plan", PlanView, { querystring: WindowQuery }),
    async (request) => ask(request.signal).plan(askedWindow(request.query), nowUs()),
  );
};

// PUT /api/labels/…: what do people call a gateway or a node, and is it their own?

export const labelRoutes: FastifyPluginAsyncZod<{ intake: Pick<IntakeHandle, "change"> }> = async (
  app,
  { intake },
) => {
  const write = writer(app, intake);
  write(
    "PUT",
    "/api/labels/:kind/:id",
    "Name a gateway or node, or say whose it is",
    { params: Thing, body: LabelChange },
    ({ params, body }) => ({ entity: "label", change: { ...params, ...body } }),
  );
};

// /api/keys: whose keys are available, and taking some in or away. A key goes in and never comes out: the answers hold
// names of keys only, and an error says where a file is wrong, never what stood there.

export interface KeyRouteOptions {
  readonly ask: Ask;
  readonly intake: Pick<IntakeHandle, "change">;
}

/** A key file of some thousand nodes. */
const MAX_BODY_OCTETS = 1_100_000;

export const keyRoutes: FastifyPluginAsyncZod<KeyRouteOptions> = async (app, { ask, intake }) => {
  const change = async (work: KeyWork) => assertWritten(await intake.change({ entity: "keys", work })).result;

  app.get("/api/keys", asks("Nodes whose keys are available; never a key", KeysView), async ({ signal }) =>
    ask(signal).keys(),
  );

  app.put(
    "/api/keys",
    {
      bodyLimit: MAX_BODY_OCTETS,
      schema: { summary: "Take in a key file", body: KeysUpload, response: answers(KeysTaken) },
    },
    async (request) => {
      return { taken: await change({ kind: "add", fileText: request.body.file }) };
    },
  );

  app.delete(
    "/api/keys/:id",
    asks("Remove the keys of a device address or DevEUI", KeysTaken, {
      params: z.object({ id: DevAddrText.or(EuiText) }),
    }),
    async (request) => {
      return { taken: await change({ kind: "remove", id: request.params.id }) };
    },
  );
};

// Watches, recipients of notifications, and a test message.

export interface WatchRouteOptions {
  readonly watch: Pick<WatchService, "view" | "setRules" | "test">;
}

export const watchRoutes: FastifyPluginAsyncZod<WatchRouteOptions> = async (app, { watch }) => {
  app.get("/api/watches", asks("Watches, recipients, and messages sent", WatchesView), async () =>
    watch.view(),
  );

  app.put(
    "/api/watches",
    asks("Say what is watched; none: nothing. Refused where a file says it", WatchesView, {
      body: z.object({ rules: WatchRules }),
    }),
    async ({ body }) => {
      const written = await watch.setRules(body.rules);
      if (written === null) throw new ServiceProblem("watches-in-file");
      assertWritten(written);
      return watch.view();
    },
  );

  app.post("/api/watches/test", asks("Send a test message by every way", WatchMessage), async () =>
    watch.test(),
  );
};
