/** /api/placements: where people say that gateways and antennas stand. Their text is data and shown as text only. */
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { z } from "zod";
import { Problem } from "../../contract/common.ts";
import { PlacementChange, PlacementNew, PlacementsView, PlacementWritten } from "../../contract/trials.ts";
import { MAX_PHOTO_OCTETS, type PlacementWork } from "../../store/placements.ts";
import { newPlacement, placementEdit } from "../../views/user-data.ts";
import { plainPicture } from "../../wire/picture/plain-picture.ts";
import { assertWritten, ServiceProblem } from "../errors.ts";
import { asks, type ChangeRouteOptions, WRITTEN, writer } from "./answers.ts";

const OnePlacement = z.object({ id: z.coerce.number().int().min(1) });
export const placementRoutes: FastifyPluginAsyncZod<ChangeRouteOptions> = async (app, { ask, intake }) => {
  const write = writer(app, intake);
  const change = async (work: PlacementWork) =>
    assertWritten(await intake.change({ entity: "placement", work }));

  app.get(
    "/api/placements",
    asks("All placements, in order of their begin", PlacementsView),
    async ({ signal }) => ({ placements: await ask(signal).placements() }),
  );

  app.post(
    "/api/placements",
    asks("From a moment on, a gateway or antenna stands here", PlacementWritten, { body: PlacementNew }),
    async ({ body }) => ({
      id: (await change({ kind: "add", placement: newPlacement(body) })).result,
    }),
  );

  write(
    "PUT",
    "/api/placements/:id",
    "Change a placement",
    { params: OnePlacement, body: PlacementChange },
    ({ params, body }) => ({
      entity: "placement",
      work: { kind: "change", id: params.id, edit: placementEdit(body) },
    }),
  );

  write("DELETE", "/api/placements/:id", "Remove a placement", { params: OnePlacement }, ({ params }) => ({
    entity: "placement",
    work: { kind: "remove", id: params.id },
  }));
};

// /api/placements/:id/photo: what a placement looks like. Octets of people's, recognised by themselves and not by a header, kept
// without what the camera wrote beside the picture, and served so that nothing in them can run.

const TYPES = ["image/jpeg", "image/png"];
const PATH = "/api/placements/:id/photo";

export const placementPhotoRoutes: FastifyPluginAsyncZod<ChangeRouteOptions> = async (
  app,
  { ask, intake },
) => {
  const write = writer(app, intake);
  app.addContentTypeParser(
    TYPES,
    { parseAs: "buffer", bodyLimit: MAX_PHOTO_OCTETS },
    (_request, body, done) => done(null, body),
  );

  const set = async (placementId: number, picture: ReturnType<typeof plainPicture>) =>
    assertWritten(await intake.change({ entity: "photo", placementId, picture }));

  app.get(
    PATH,
    {
      schema: {
        summary: "The photo of a placement",
        params: OnePlacement,
        produces: TYPES,
        response: { 200: z.unknown().describe("the picture's octets"), "4xx": Problem, "5xx": Problem },
      },
    },
    async ({ params, signal }, reply) => {
      const picture = await ask(signal).placementPhoto(params.id);
      if (picture === null) throw new ServiceProblem("no-such-photo");
      return reply
        .type(picture.type)
        .header("content-security-policy", "default-src 'none'; sandbox")
        .header("content-disposition", `inline; filename="placement-${params.id}"`)
        .header("cache-control", "private, no-cache")
        .send(Buffer.from(picture.octets));
    },
  );

  app.put(
    PATH,
    {
      bodyLimit: MAX_PHOTO_OCTETS,
      schema: {
        summary: "Set the photo of a placement: the octets of a JPEG or PNG, 1.5 MB at most",
        consumes: TYPES,
        params: OnePlacement,
        response: WRITTEN,
      },
    },
    async ({ params, body }, reply) => {
      const picture = Buffer.isBuffer(body) ? plainPicture(body) : null;
      if (picture === null) throw new ServiceProblem("no-picture");
      await set(params.id, picture);
      return reply.code(204).send();
    },
  );

  write("DELETE", PATH, "Remove the photo of a placement", { params: OnePlacement }, ({ params }) => ({
    entity: "photo",
    placementId: params.id,
    picture: null,
  }));
};
