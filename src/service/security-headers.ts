/**
 * What may the dashboard's page do in a browser? Run its own scripts and styles, and ask this service. Switched off
 * is what on plain HTTP does harm: `upgrade-insecure-requests` and HSTS make a browser look for a TLS that is not
 * there, and the page stays blank.
 */
import type { FastifyHelmetOptions } from "@fastify/helmet";
import { isLoopbackHost } from "./loopback.ts";

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
