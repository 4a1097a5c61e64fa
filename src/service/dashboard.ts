/** Where does the dashboard come from? The built page, its hashed files kept by browsers for good, itself never. */
import { sep } from "node:path";
import fastifyStatic from "@fastify/static";
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import type { Access } from "./access.ts";

export interface DashboardOptions {
  /** Folder of the built dashboard; null when it was not built. */
  readonly webRoot: string | null;
  readonly access: Access;
}

const NOT_BUILT =
  "The dashboard is not built. Run 'npm run build' in Mastlog's folder and start the service again; the API is at /api/openapi.json.\n";

export const dashboard: FastifyPluginAsyncZod<DashboardOptions> = async (app, { webRoot, access }) => {
  if (webRoot !== null) {
    await app.register(fastifyStatic, {
      root: webRoot,
      index: false,
      dotfiles: "ignore",
      cacheControl: false,
      setHeaders: (reply, path) => {
        // The build names files in this folder by their content.
        const hashed = path.includes(`${sep}assets${sep}`);
        reply.header("cache-control", hashed ? "public, max-age=31536000, immutable" : "no-cache");
      },
    });
  }
  app.get("/", { schema: { hide: true } }, async (request, reply) => {
    if (await access.takeToken(request, reply)) return reply;
    if (webRoot === null)
      return reply.header("cache-control", "no-cache").type("text/plain; charset=utf-8").send(NOT_BUILT);
    return reply.sendFile("index.html");
  });
};
