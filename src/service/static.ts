/** Where does the dashboard come from? The built page, its hashed files kept by browsers for good, itself never. */
import { hostname } from "node:os";
import { sep } from "node:path";
import { promisify } from "node:util";
import { gzip } from "node:zlib";
import { negotiate } from "@fastify/accept-negotiator";
import type { FastifyHelmetOptions } from "@fastify/helmet";
import fastifyStatic from "@fastify/static";
import type { onSendHookHandler } from "fastify";
import type { FastifyPluginAsyncZod } from "fastify-type-provider-zod";
import { reachableAddresses } from "../intake/udp-listener.ts";
import type { Access } from "./access.ts";
import { isLoopbackHost } from "./loopback.ts";

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
      // Compressed at the build (web/compress.ts).
      preCompressed: true,
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

// What may the dashboard's page do in a browser? Run its own scripts and styles, and ask this service. Switched off
// is what on plain HTTP does harm: `upgrade-insecure-requests` and HSTS make a browser look for a TLS that is not
// there, and the page stays blank.

/** Options of helmet for a service that listens on `host`. */
export function securityHeaders(host: string): FastifyHelmetOptions {
  // Browsers ignore these two, with a complaint, on plain HTTP from another machine.
  const trustworthy = isLoopbackHost(host);
  return {
    contentSecurityPolicy: {
      useDefaults: false,
      directives: {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        // Drawing code sets single properties through the CSSOM, which needs no 'unsafe-inline'.
        "style-src": ["'self'"],
        "img-src": ["'self'"],
        "font-src": ["'self'"],
        // Not every browser's 'self' includes the websocket of the same host. The Host was checked before this.
        "connect-src": ["'self'", (request) => `ws://${request.headers.host ?? "localhost"}`],
        "base-uri": ["'none'"],
        "form-action": ["'none'"],
        "frame-ancestors": ["'none'"],
      },
    },
    strictTransportSecurity: false,
    crossOriginOpenerPolicy: trustworthy ? { policy: "same-origin" } : false,
    originAgentCluster: trustworthy,
    referrerPolicy: { policy: "no-referrer" },
    xFrameOptions: { action: "deny" },
  };
}

// By which names may a browser ask for the dashboard? Asked anew each time: a laptop changes networks.

/** Addresses and names of this machine. */
export function ownNames(): string[] {
  const name = hostname();
  // RFC 6762 section 3: the name on the local link.
  return [...reachableAddresses(), name, `${name.split(".")[0] ?? name}.local`];
}

// How do answers travel? Compressed where the client takes it: a page on a phone loads over a site's radio.

/** Chosen: less fits in one packet of Ethernet as it is. */
const MIN_OCTETS = 1_400;
const COMPRESSIBLE = /^(?:application\/json|text\/)/;

/** On the thread pool of libuv: the service's thread does not wait. */
const gzipped = promisify(gzip);

/** Compresses the answers of routes that give text; files of the dashboard are compressed when it is built. */
export const compressAnswer: onSendHookHandler = async (request, reply, payload) => {
  if (typeof payload !== "string" || payload.length < MIN_OCTETS) return payload;
  if (!COMPRESSIBLE.test(String(reply.getHeader("content-type") ?? ""))) return payload;
  // RFC 9110 section 12.5.5: a cache must know that another client may get another form.
  reply.header("vary", "accept-encoding");
  const accepted = request.headers["accept-encoding"];
  if (accepted === undefined || negotiate(String(accepted), ["gzip"]) !== "gzip") return payload;
  reply.header("content-encoding", "gzip").removeHeader("content-length");
  return gzipped(payload);
};
