/**
 * Who may ask? Decided before any route runs: the Host must be ours (a page elsewhere may point its own name at this
 * machine: DNS rebinding), the Origin must be our own page's, and where the service is open to the network the token
 * must be shown. Open without the token are only the dashboard's files and /healthz, which hold no data.
 */
import type { FastifyReply, FastifyRequest } from "fastify";
import { MOST_OF_SOURCE, sourceOf } from "./connection-limit.ts";
import { ServiceProblem } from "./errors.ts";
import { GuessLimit, type PaceClock } from "./guess-limit.ts";
import { hostName, isEveryAddress, isLoopbackHost, readAuthority } from "./loopback.ts";
import { cookieValue, sameSecret } from "./token.ts";

export interface AccessSettings {
  /** The address that the service listens on. */
  readonly host: string;
  readonly port: number;
  readonly token: string | null;
  /** Addresses and names of this machine at this moment, asked for only when it listens on all of them. */
  readonly ownNames: () => readonly string[];
  readonly clock: PaceClock;
}

export interface Access {
  /** Hook for `onRequest`; throws a ServiceProblem when the request may not pass. */
  readonly check: (request: FastifyRequest, reply: FastifyReply) => Promise<void>;
  /** Takes the token out of `/?token=…`: sets the cookie and sends the browser on. True when it has answered. */
  readonly takeToken: (request: FastifyRequest, reply: FastifyReply) => Promise<boolean>;
}

/** Routes by their pattern, not by what the client wrote: `/%61pi/site` is `/api/site` too. */
const OPEN_ROUTES: ReadonlySet<string | undefined> = new Set([undefined, "/", "/*", "/healthz"]);
const SAFE_METHODS: ReadonlySet<string> = new Set(["GET", "HEAD"]);

/** 50 at once: an old tab that still shows last week's token stays far below it. Then five a second. Chosen. */
const PACE = { free: 50, paceMs: 200, mostSources: 4096 };

export function guardAccess(settings: AccessSettings): Access {
  const { token } = settings;
  const guesses = new GuessLimit(settings.clock, { ...PACE, mostWaiting: MOST_OF_SOURCE });
  // Cookies are shared by all ports of a host: the port in the name keeps two services apart.
  const cookieName = `mastlog-${settings.port}`;
  const cookie = token === null ? null : cookieValue(token);

  async function compare(request: FastifyRequest, given: string, right: string): Promise<void> {
    const isRight = () => sameSecret(given, right);
    const outcome = await guesses.attempt(
      sourceOf(request.ip ?? ""),
      request.raw.socket ?? request.raw,
      isRight,
    );
    if (outcome === "busy") throw new ServiceProblem("too-many-tries");
    if (outcome === "wrong") throw new ServiceProblem("token-wrong");
  }

  async function checkToken(request: FastifyRequest): Promise<void> {
    if (token === null || cookie === null) return;
    const bearer = /^Bearer +(\S+) *$/i.exec(request.headers.authorization ?? "")?.[1];
    const kept = readCookie(request.headers.cookie, cookieName);
    if (bearer !== undefined) await compare(request, bearer, token);
    else if (kept !== null) await compare(request, kept, cookie);
    else throw new ServiceProblem("token-needed");
  }

  return {
    async check(request, reply) {
      const own = readAuthority(request.headers.host ?? "");
      if (own === null || !isServed(own.name, settings)) throw new ServiceProblem("foreign-host");
      if (!isOwnOrigin(request, own.authority)) throw new ServiceProblem("foreign-origin");
      const route = request.routeOptions.url;
      if (request.ws && route !== "/live") throw new ServiceProblem("no-such-path");
      if (OPEN_ROUTES.has(route)) return;
      reply.header("cache-control", "no-store");
      await checkToken(request);
    },
    async takeToken(request, reply) {
      const given = new URL(request.url, "http://local").searchParams.get("token");
      if (given === null) return false;
      if (token !== null && cookie !== null) {
        await compare(request, given, token);
        reply.header("set-cookie", `${cookieName}=${cookie}; Path=/; HttpOnly; SameSite=Strict`);
      }
      // The token leaves the address bar and the history's newest entry.
      reply.header("cache-control", "no-store").redirect("/", 303);
      return true;
    },
  };
}

function isServed(name: string, { host, ownNames }: AccessSettings): boolean {
  if (isLoopbackHost(name) || name === hostName(host)) return true;
  return isEveryAddress(host) && ownNames().some((own) => hostName(own) === name);
}

/**
 * Browsers send Origin with every request that changes something and with every websocket handshake (Fetch Standard,
 * "append a request Origin header"; RFC 6455 section 10.2); programs that are no browsers send none.
 */
function isOwnOrigin(request: FastifyRequest, authority: string): boolean {
  const { origin } = request.headers;
  if (origin !== undefined) {
    const url = URL.canParse(origin) ? new URL(origin) : null;
    return url !== null && /^https?:$/.test(url.protocol) && url.host === authority;
  }
  if (SAFE_METHODS.has(request.method) && !request.ws) return true;
  const site = request.headers["sec-fetch-site"];
  return site === undefined || site === "same-origin" || site === "none";
}

function readCookie(header: string | undefined, name: string): string | null {
  for (const part of (header ?? "").split(";")) {
    const at = part.indexOf("=");
    if (at > 0 && part.slice(0, at).trim() === name) return part.slice(at + 1).trim();
  }
  return null;
}
