/**
 * Who may ask? Decided before any route runs: the Host must be ours (a page elsewhere may point its own name at this
 * machine: DNS rebinding), the Origin must be our own page's, and where the service is open to the network the token
 * must be shown. Open without the token are only the dashboard's files and /healthz, which hold no data.
 */
import { createHash, createHmac, randomBytes, timingSafeEqual } from "node:crypto";
import type { FastifyReply, FastifyRequest } from "fastify";
import { MAX_OF_SOURCE, sourceOf } from "./connection-limit.ts";
import { ServiceProblem, ServiceUnusable } from "./errors.ts";
import { hostName, isEveryAddress, isLoopbackHost, readAuthority } from "./loopback.ts";

// How fast may tokens be tried from one address? So many at once, then one at a time at a slow pace, in the order in
// which they came. Nobody is locked out: the right token waits its turn behind the wrong ones of its neighbours, and
// a connection that has shown it waits no more. A guess waits on a connection of its own, and connections of an
// address are limited, so that the wait of the right token is bounded.

/** Timers and clock, handed in so that tests decide about time. */
interface PaceClock {
  monotonicMs(): number;
  after(delayMs: number, work: () => void): () => void;
}

export interface GuessPace {
  /** Wrong tokens of one address that are compared at once. */
  readonly free: number;
  /** After these, one token is compared in so many milliseconds. */
  readonly paceMs: number;
  /** Tokens of one address that wait at most. */
  readonly mostWaiting: number;
  /** Addresses remembered at most; the oldest gives way. */
  readonly mostSources: number;
}

/** `busy`: not compared, because too many wait already. */
export type TryOutcome = "right" | "wrong" | "busy";

/** A connection, by whatever object stands for it. */
export interface TriedOn {
  readonly destroyed?: boolean;
}

interface Waiting {
  readonly connection: TriedOn;
  readonly isRight: () => boolean;
  readonly tell: (outcome: TryOutcome) => void;
}

interface Source {
  /** Wrong tokens that may still be compared at once; grows by one every paceMs. */
  left: number;
  sinceMs: number;
  waiting: Waiting[];
}

export class GuessLimit {
  readonly #clock: PaceClock;
  readonly #pace: GuessPace;
  readonly #sources = new Map<string, Source>();
  readonly #shown = new WeakSet<TriedOn>();

  constructor(clock: PaceClock, pace: GuessPace) {
    this.#clock = clock;
    this.#pace = pace;
  }

  /** Compares when it is this token's turn. Only what is compared counts as a try. */
  attempt(source: string, connection: TriedOn, isRight: () => boolean): Promise<TryOutcome> {
    if (this.#shown.has(connection)) {
      if (isRight()) return Promise.resolve("right");
      // Somebody else speaks through this connection too (a proxy): it is no mark of trust any more.
      this.#shown.delete(connection);
      this.#spend(this.#of(source));
      return Promise.resolve("wrong");
    }
    const entry = this.#of(source);
    if (entry.waiting.length === 0 && entry.left >= 1)
      return Promise.resolve(this.#compare(entry, connection, isRight));
    entry.waiting = entry.waiting.filter((one) => one.connection.destroyed !== true);
    const isAsking = entry.waiting.some((one) => one.connection === connection);
    if (isAsking || entry.waiting.length >= this.#pace.mostWaiting) return Promise.resolve("busy");
    return new Promise((tell) => {
      entry.waiting.push({ connection, isRight, tell });
      if (entry.waiting.length === 1) this.#nextTurn(entry);
    });
  }

  #nextTurn(entry: Source): void {
    this.#refill(entry);
    const waitMs = Math.max(0, Math.ceil((1 - entry.left) * this.#pace.paceMs));
    this.#clock.after(waitMs, () => {
      this.#refill(entry);
      let next = entry.waiting.shift();
      while (next?.connection.destroyed === true) {
        next.tell("busy");
        next = entry.waiting.shift();
      }
      if (next !== undefined) next.tell(this.#compare(entry, next.connection, next.isRight));
      if (entry.waiting.length > 0) this.#nextTurn(entry);
    });
  }

  #compare(entry: Source, connection: TriedOn, isRight: () => boolean): TryOutcome {
    if (isRight()) {
      this.#shown.add(connection);
      return "right";
    }
    this.#spend(entry);
    return "wrong";
  }

  #spend(entry: Source): void {
    entry.left -= 1;
  }

  #refill(entry: Source): void {
    const nowMs = this.#clock.monotonicMs();
    entry.left = Math.min(this.#pace.free, entry.left + (nowMs - entry.sinceMs) / this.#pace.paceMs);
    entry.sinceMs = nowMs;
  }

  #of(source: string): Source {
    const known = this.#sources.get(source);
    if (known !== undefined) {
      this.#refill(known);
      return known;
    }
    const fresh = { left: this.#pace.free, sinceMs: this.#clock.monotonicMs(), waiting: [] };
    this.#sources.set(source, fresh);
    if (this.#sources.size > this.#pace.mostSources) {
      const oldest = this.#sources.keys().next();
      if (oldest.done !== true) this.#sources.delete(oldest.value);
    }
    return fresh;
  }
}

// Which token opens the service, and is one that was given the right one?

/** Chosen: 16 characters of a careful person's making still outlast any number of tries over a network. */
const MIN_TOKEN = 16;
const RANDOM_OCTETS = 24;

/**
 * The token that the service will ask for: the given one; else, when `host` is open to the network, a random one of
 * 192 bits; else none. Throws ServiceUnusable when the given one is too easily guessed.
 */
export function tokenFor(
  host: string,
  given: string | null,
  random: (octets: number) => Buffer = randomBytes,
): string | null {
  if (given !== null) {
    if (given.length < MIN_TOKEN || !/^[\x21-\x7e]+$/.test(given))
      throw new ServiceUnusable(
        `The token must have at least ${MIN_TOKEN} characters, without spaces.`,
        "Leave it out, and a random one is made and printed.",
      );
    return given;
  }
  return isLoopbackHost(host) ? null : random(RANDOM_OCTETS).toString("base64url");
}

/** Compares in a time that does not depend on where the two differ. */
export function sameSecret(given: string, right: string): boolean {
  const digest = (text: string) => createHash("sha256").update(text).digest();
  return timingSafeEqual(digest(given), digest(right));
}

/** What the browser keeps in place of the token, so that the token itself is not written to its disk. */
export function cookieValue(token: string): string {
  return createHmac("sha256", token).update("mastlog dashboard").digest("hex");
}

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
  const guesses = new GuessLimit(settings.clock, { ...PACE, mostWaiting: MAX_OF_SOURCE });
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
