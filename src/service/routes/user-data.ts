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
import type { MarkWork, PositionRequest } from "../../store/user-data.ts";
import { markEdit, newMark } from "../../views/user-data.ts";
import { assertWritten, ServiceProblem } from "../errors.ts";
import type { Ask } from "../views.ts";
import type { WatchService } from "../watch-service.ts";
import { answers, askedWindow, type ViewRouteOptions, WRITTEN } from "./answers.ts";

export interface MarkRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "change">;
}

const OneMark = z.object({ id: z.coerce.number().int().min(1) });
export const markRoutes: FastifyPluginAsyncZod<MarkRouteOptions> = async (app, { ask, intake, nowUs }) => {
  const change = async (work: MarkWork) => assertWritten(await intake.change({ entity: "mark", work }));

  app.get(
    "/api/marks",
    {
      schema: {
        summary: "Marks that touch the window, newest first",
        querystring: WindowQuery.extend(MarksQuery.shape),
        response: answers(MarksView),
      },
    },
    async ({ query, signal }) => {
      const { gateway, node, kind } = query;
      return ask(signal).marks({ gateway, node, kind }, askedWindow(query), nowUs());
    },
  );

  app.post(
    "/api/marks",
    { schema: { summary: "Pin a mark", body: MarkRequest, response: answers(MarkPinned) } },
    async ({ body }) => ({ id: (await change({ kind: "add", mark: newMark(body, nowUs()) })).result }),
  );

  app.put(
    "/api/marks/:id",
    { schema: { summary: "Change a mark", params: OneMark, body: MarkChange, response: WRITTEN } },
    async ({ params, body }, reply) => {
      await change({ kind: "change", id: params.id, edit: markEdit(body) });
      return reply.code(204).send();
    },
  );

  app.get(
    "/api/marks/:id/effect",
    {
      schema: {
        summary: "Is it better since a mark? The time before it compared with the time after",
        params: OneMark,
        querystring: MarkEffectQuery,
        response: answers(MarkEffect),
      },
    },
    async ({ params, query, signal }) => {
      const effect = await ask(signal).markEffect(params.id, query);
      if (typeof effect === "string") throw new ServiceProblem(effect);
      return effect;
    },
  );

  app.delete(
    "/api/marks/:id",
    { schema: { summary: "Remove a mark", params: OneMark, response: WRITTEN } },
    async ({ params }, reply) => {
      await change({ kind: "remove", id: params.id });
      return reply.code(204).send();
    },
  );
};

// Where do gateways and nodes stand? GET, PUT and DELETE of positions, and the plan that is drawn from them.

const Thing = z.discriminatedUnion("kind", [
  z.object({ kind: z.literal("gateway"), id: EuiText }),
  z.object({ kind: z.literal("node"), id: DevAddrText }),
]);

export interface PositionRouteOptions extends ViewRouteOptions {
  readonly intake: Pick<IntakeHandle, "change">;
}

export const positionRoutes: FastifyPluginAsyncZod<PositionRouteOptions> = async (
  app,
  { ask, intake, nowUs },
) => {
  const set = async (request: PositionRequest) =>
    assertWritten(await intake.change({ entity: "position", request }));

  app.get(
    "/api/positions",
    { schema: { summary: "Positions given or known by GPS", response: answers(PositionsView) } },
    async ({ signal }) => ask(signal).positions(),
  );
  app.put(
    "/api/positions/:kind/:id",
    {
      schema: {
        summary: "Say where a gateway or node stands",
        params: Thing,
        body: PositionChange,
        response: WRITTEN,
      },
    },
    async (request, reply) => {
      await set({ ...request.params, position: request.body });
      return reply.code(204).send();
    },
  );
  app.delete(
    "/api/positions/:kind/:id",
    { schema: { summary: "Take a position back", params: Thing, response: WRITTEN } },
    async (request, reply) => {
      await set({ ...request.params, position: null });
      return reply.code(204).send();
    },
  );
  app.get(
    "/api/plan",
    {
      schema: {
        summary: "Gateways, nodes and their links on a plain plan",
        querystring: WindowQuery,
        response: answers(PlanView),
      },
    },
    async (request) => ask(request.signal).plan(askedWindow(request.query), nowUs()),
  );
};

// PUT /api/labels/…: what do people call a gateway or a node, and is it their own?

const LabelledThing = z.discriminatedUnion("kind", [
  z.object({ kind: z.literal("gateway"), id: EuiText }),
  z.object({ kind: z.literal("node"), id: DevAddrText }),
]);

export const labelRoutes: FastifyPluginAsyncZod<{ intake: Pick<IntakeHandle, "change"> }> = async (
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
        response: WRITTEN,
      },
    },
    async (request, reply) => {
      assertWritten(await intake.change({ entity: "label", change: { ...request.params, ...request.body } }));
      return reply.code(204).send();
    },
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

  app.get(
    "/api/keys",
    { schema: { summary: "Nodes whose keys are available; never a key", response: answers(KeysView) } },
    async ({ signal }) => ask(signal).keys(),
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
    {
      schema: {
        summary: "Remove the keys of a device address or DevEUI",
        params: z.object({ id: DevAddrText.or(EuiText) }),
        response: answers(KeysTaken),
      },
    },
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
  app.get(
    "/api/watches",
    {
      schema: { summary: "Watches, recipients, and messages sent", response: answers(WatchesView) },
    },
    async () => watch.view(),
  );

  app.put(
    "/api/watches",
    {
      schema: {
        summary: "Say what is watched; none: nothing. Refused where a file says it",
        body: z.object({ rules: WatchRules }),
        response: answers(WatchesView),
      },
    },
    async ({ body }) => {
      const written = await watch.setRules(body.rules);
      if (written === null) throw new ServiceProblem("watches-in-file");
      assertWritten(written);
      return watch.view();
    },
  );

  app.post(
    "/api/watches/test",
    { schema: { summary: "Send a test message by every way", response: answers(WatchMessage) } },
    async () => watch.test(),
  );
};
