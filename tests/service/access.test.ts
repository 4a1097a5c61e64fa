import { type AddressInfo, connect } from "node:net";
import { describe, expect, it } from "vitest";
import { WebSocket } from "ws";
import type { Problem } from "../../src/contract/index.ts";
import { GuessLimit, tokenFor } from "../../src/service/access.ts";
import { ServiceUnusable } from "../../src/service/errors.ts";
import { hostName, isLoopbackHost } from "../../src/service/loopback.ts";
import { HandClock } from "./hand-clock.ts";
import { NODE, serviceUnderTest, TOKEN } from "./parts.ts";

const OPEN = { host: "0.0.0.0", token: TOKEN };
const LABEL = { method: "PUT" as const, url: `/api/labels/node/${NODE}`, payload: { name: "Pond pump" } };

/** What a promise is raced against that must not have come true yet. */
async function settled(): Promise<"nothing yet"> {
  for (let i = 0; i < 20; i++) await new Promise((turn) => setImmediate(turn));
  return "nothing yet";
}

async function until(isSo: () => boolean): Promise<void> {
  for (let i = 0; i < 1000 && !isSo(); i++) await new Promise((turn) => setImmediate(turn));
}

async function codeOf(response: Promise<{ statusCode: number; json: <T>() => T }>): Promise<string> {
  const { statusCode, json } = await response;
  return statusCode < 400 ? String(statusCode) : `${statusCode} ${json<Problem>().code}`;
}

describe("the host that a request names", () => {
  it.each(["localhost", "localhost:8470", "127.0.0.1:8470", "[::1]:8470", "LOCALHOST:8470", "127.0.0.1.:1"])(
    "%s is this machine",
    async (host) => {
      const { app } = await serviceUnderTest();
      expect(await codeOf(app.inject({ url: "/api/site", headers: { host } }))).toBe("200");
    },
  );

  it.each([
    "rebound.example",
    "localhost.rebound.example",
    "127.0.0.1.rebound.example",
    "192.0.2.20:8470",
    "user@localhost",
    "localhost/",
    "local host",
    "[::1",
  ])("%j is not, whatever its address is", async (host) => {
    const { app } = await serviceUnderTest();
    for (const url of ["/api/site", "/", "/healthz", "/nothing"])
      expect(await codeOf(app.inject({ url, headers: { host } }))).toBe("403 foreign-host");
  });

  it("on all addresses includes those of this machine, and no others", async () => {
    const { app } = await serviceUnderTest(OPEN);
    const ask = (host: string) => codeOf(app.inject({ url: "/healthz", headers: { host } }));
    expect(await ask("192.0.2.20:8470")).toBe("200");
    expect(await ask("packing-shed.local:8470")).toBe("200");
    expect(await ask("192.0.2.21:8470")).toBe("403 foreign-host");
    expect(await ask("rebound.example:8470")).toBe("403 foreign-host");
  });

  it("on one address is that address", async () => {
    const { app } = await serviceUnderTest({ host: "2001:db8::7", token: TOKEN });
    const ask = (host: string) => codeOf(app.inject({ url: "/healthz", headers: { host } }));
    expect(await ask("[2001:DB8:0::7]:8470")).toBe("200");
    expect(await ask("192.0.2.20:8470")).toBe("403 foreign-host");
  });
});

describe("the page that a request comes from", () => {
  it.each([
    "http://rebound.example",
    "http://localhost:9999",
    "null",
    "file://",
    "http://localhost.rebound.example:80",
  ])("%s may change nothing", async (origin) => {
    const { app, intake } = await serviceUnderTest();
    expect(await codeOf(app.inject({ ...LABEL, headers: { origin } }))).toBe("403 foreign-origin");
    expect(await codeOf(app.inject({ method: "POST", url: "/api/samples/x", headers: { origin } }))).toBe(
      "403 foreign-origin",
    );
    expect(intake.labels).toEqual([]);
  });

  it("may be the dashboard itself, or no page at all", async () => {
    const { app, intake } = await serviceUnderTest();
    const headers = { host: "localhost:8470", origin: "http://localhost:8470" };
    expect(await codeOf(app.inject({ ...LABEL, headers }))).toBe("204");
    expect(await codeOf(app.inject(LABEL))).toBe("204");
    expect(intake.labels).toHaveLength(2);
  });

  it("may not hide where it comes from", async () => {
    const { app } = await serviceUnderTest();
    const from = (site: string) => codeOf(app.inject({ ...LABEL, headers: { "sec-fetch-site": site } }));
    expect(await from("cross-site")).toBe("403 foreign-origin");
    expect(await from("same-site")).toBe("403 foreign-origin");
    expect(await from("same-origin")).toBe("204");
  });

  it("may open the live line only from here", async () => {
    const { app } = await serviceUnderTest();
    const host = "127.0.0.1:8470";
    await expect(
      app.injectWS("/live", { headers: { host, origin: "http://rebound.example" } }),
    ).rejects.toThrow("403");
    await expect(app.injectWS("/live", { headers: { host: "rebound.example" } })).rejects.toThrow("403");
    const socket = await app.injectWS("/live", { headers: { host, origin: `http://${host}` } });
    socket.terminate();
  });

  it("finds a websocket nowhere but on the live line", async () => {
    const { app } = await serviceUnderTest();
    for (const path of ["/", "/api/site", "/nothing"])
      await expect(app.injectWS(path, { headers: { host: "localhost" } })).rejects.toThrow("404");
  });
});

describe("the token", () => {
  it("is asked for on every path with data", async () => {
    const { app } = await serviceUnderTest(OPEN);
    const paths = [
      "/api/site",
      "/api/status",
      "/api/openapi.json",
      "/api/captures",
      "/metrics",
      "/live",
      "/%61pi/site",
    ];
    for (const url of paths) {
      const response = await app.inject(url);
      expect(response.json<Problem>().code, url).toBe("token-needed");
      expect(response.statusCode).toBe(401);
      expect(response.headers["www-authenticate"]).toBe("Bearer");
    }
    expect(await codeOf(app.inject(LABEL))).toBe("401 token-needed");
    expect(await codeOf(app.inject({ method: "HEAD", url: "/healthz" }))).toBe("200");
    expect(await codeOf(app.inject("/"))).toBe("200");
  });

  it("opens as a bearer, and only the right one", async () => {
    const { app } = await serviceUnderTest(OPEN);
    const bear = (token: string) =>
      codeOf(app.inject({ url: "/api/site", headers: { authorization: `Bearer ${token}` } }));
    expect(await bear(TOKEN)).toBe("200");
    for (const wrong of [TOKEN.slice(1), `${TOKEN}0`, TOKEN.toUpperCase(), "x"])
      expect(await bear(wrong)).toBe("401 token-wrong");
    const basic = { authorization: `Basic ${TOKEN}` };
    expect(await codeOf(app.inject({ url: "/api/site", headers: basic }))).toBe("401 token-needed");
    // Not in the address of a request for data: addresses are written down in too many places.
    expect(await codeOf(app.inject(`/api/site?token=${TOKEN}`))).toBe("401 token-needed");
  });

  it("becomes a cookie by one visit, and leaves the address", async () => {
    const { app } = await serviceUnderTest(OPEN);
    const visit = await app.inject(`/?token=${TOKEN}`);
    expect(visit.statusCode).toBe(303);
    expect(visit.headers.location).toBe("/");
    const given = String(visit.headers["set-cookie"]);
    expect(given).toMatch(/^mastlog-8470=[0-9a-f]{64}; Path=\/; HttpOnly; SameSite=Strict$/);
    expect(given).not.toContain(TOKEN);
    const cookie = `other=1; ${given.split(";")[0]}`;
    expect(await codeOf(app.inject({ url: "/api/site", headers: { cookie } }))).toBe("200");
    const socket = await app.injectWS("/live", { headers: { host: "localhost", cookie } });
    socket.terminate();
    const other = "mastlog-8470=00";
    expect(await codeOf(app.inject({ url: "/api/site", headers: { cookie: other } }))).toBe(
      "401 token-wrong",
    );
  });

  it("that is wrong gives no cookie", async () => {
    const { app } = await serviceUnderTest(OPEN);
    const visit = await app.inject("/?token=wrong");
    expect(visit.statusCode).toBe(401);
    expect(visit.headers["set-cookie"]).toBeUndefined();
  });

  it("is asked for at the handshake of the live line", async () => {
    const { app } = await serviceUnderTest(OPEN);
    await expect(app.injectWS("/live", { headers: { host: "localhost" } })).rejects.toThrow("401");
    const authorization = `Bearer ${TOKEN}`;
    const socket = await app.injectWS("/live", { headers: { host: "localhost", authorization } });
    socket.terminate();
  });

  it("that is right gets its turn behind fifty wrong ones of its own address", async () => {
    const clock = new HandClock();
    const { app } = await serviceUnderTest({ ...OPEN, liveClock: clock });
    const bear = (token: string) =>
      codeOf(app.inject({ url: "/api/site", headers: { authorization: `Bearer ${token}` } }));
    for (let i = 0; i < 50; i++) expect(await bear(`guess-${i}`)).toBe("401 token-wrong");
    const guesses = [bear("guess-50"), bear("guess-51")];
    const answers: string[] = [];
    const right = bear(TOKEN).then((answer) => answers.push(answer));
    await until(() => clock.waiting > 0);
    clock.pass(599);
    expect(await Promise.race([right, settled()])).toBe("nothing yet");
    clock.pass(1);
    await right;
    expect(answers).toEqual(["200"]);
    expect(await Promise.all(guesses)).toEqual(["401 token-wrong", "401 token-wrong"]);
  });

  it("is random on an open address, absent on a closed one, and never short", () => {
    const random = (octets: number) => Buffer.alloc(octets, 7);
    expect(tokenFor("127.0.0.1", null)).toBeNull();
    expect(tokenFor("::1", null)).toBeNull();
    expect(tokenFor("0.0.0.0", null, random)).toBe(random(24).toString("base64url"));
    expect(tokenFor("0.0.0.0", null)).not.toBe(tokenFor("0.0.0.0", null));
    expect(tokenFor("127.0.0.1", TOKEN)).toBe(TOKEN);
    expect(() => tokenFor("0.0.0.0", "short")).toThrow(ServiceUnusable);
    expect(() => tokenFor("0.0.0.0", "with spaces in between")).toThrow(ServiceUnusable);
  });

  it("is required before a service opens to the network", async () => {
    await expect(serviceUnderTest({ host: "0.0.0.0", token: null })).rejects.toThrow(ServiceUnusable);
    await expect(serviceUnderTest({ host: "192.0.2.20", token: null })).rejects.toThrow(ServiceUnusable);
  });
});

describe("guesses", () => {
  const PACE = { free: 2, paceMs: 100, mostWaiting: 3, mostSources: 2 };
  const wrong = () => false;

  it("are compared at a slow pace after the first ones, in the order in which they came", async () => {
    const clock = new HandClock();
    const limit = new GuessLimit(clock, PACE);
    const order: string[] = [];
    const guess = (name: string, isRight = false) =>
      void limit.attempt("a", {}, () => {
        order.push(name);
        return isRight;
      });
    for (const name of ["1", "2", "3", "4"]) guess(name);
    guess("right", true);
    expect(order).toEqual(["1", "2"]);
    clock.pass(200);
    expect(order).toEqual(["1", "2", "3", "4"]);
    clock.pass(100);
    expect(order).toEqual(["1", "2", "3", "4", "right"]);
  });

  it("wait one to a connection, in bounded number", async () => {
    const clock = new HandClock();
    const limit = new GuessLimit(clock, PACE);
    for (let i = 0; i < 2; i++) await limit.attempt("a", {}, wrong);
    const one = {};
    void limit.attempt("a", one, wrong);
    expect(await limit.attempt("a", one, wrong)).toBe("busy");
    void limit.attempt("a", {}, wrong);
    void limit.attempt("a", {}, wrong);
    expect(await limit.attempt("a", {}, wrong)).toBe("busy");
  });

  it("of connections that are gone keep nobody waiting", async () => {
    const clock = new HandClock();
    const limit = new GuessLimit(clock, PACE);
    for (let i = 0; i < 2; i++) await limit.attempt("a", {}, wrong);
    const gone = [{ destroyed: false }, { destroyed: false }, { destroyed: false }];
    for (const connection of gone) void limit.attempt("a", connection, wrong);
    for (const connection of gone) connection.destroyed = true;
    const right = limit.attempt("a", {}, () => true);
    clock.pass(100);
    expect(await right).toBe("right");
  });

  it("do not hold up a connection that has shown the right token", async () => {
    const clock = new HandClock();
    const limit = new GuessLimit(clock, PACE);
    const own = {};
    expect(await limit.attempt("a", own, () => true)).toBe("right");
    for (let i = 0; i < 4; i++) void limit.attempt("a", {}, wrong);
    expect(await limit.attempt("a", own, () => true)).toBe("right");
    expect(await limit.attempt("a", own, wrong)).toBe("wrong");
    const later = limit.attempt("a", own, () => true);
    expect(await Promise.race([later, settled()])).toBe("nothing yet");
  });

  it("of many addresses are remembered in bounded memory", async () => {
    const limit = new GuessLimit(new HandClock(), { ...PACE, free: 1 });
    for (const source of ["a", "b", "c"]) await limit.attempt(source, {}, wrong);
    const now = (source: string) => Promise.race([limit.attempt(source, {}, wrong), settled()]);
    expect([await now("c"), await now("b"), await now("a")]).toEqual(["nothing yet", "nothing yet", "wrong"]);
  });
});

describe("names of hosts", () => {
  it("have one spelling", () => {
    expect(hostName("[2001:DB8:0:0::1]")).toBe("2001:db8::1");
    expect(hostName("fe80::1%eth0")).toBe("fe80::1");
    expect(hostName("Packing-Shed.")).toBe("packing-shed");
    expect(hostName("a/b")).toBeNull();
    expect(["127.0.0.1", "127.9.8.7", "::1", "[::1]", "localhost"].map(isLoopbackHost)).not.toContain(false);
    expect(
      ["0.0.0.0", "::", "192.0.2.1", "127.example", "localhost.example"].map(isLoopbackHost),
    ).not.toContain(true);
  });
});

describe("the page's policy", () => {
  it("allows the page's own scripts and styles, and does no harm on plain HTTP", async () => {
    const { app } = await serviceUnderTest(OPEN);
    const { headers } = await app.inject({ url: "/", headers: { host: "192.0.2.20:8470" } });
    const policy = String(headers["content-security-policy"]);
    expect(policy).toContain("default-src 'none'");
    expect(policy).toContain("script-src 'self'");
    expect(policy).toContain("connect-src 'self' ws://192.0.2.20:8470");
    expect(policy).not.toMatch(/unsafe|upgrade-insecure-requests|\*/);
    expect(headers["strict-transport-security"]).toBeUndefined();
    expect(headers["x-content-type-options"]).toBe("nosniff");
    expect(headers["access-control-allow-origin"]).toBeUndefined();
  });

  it("stands on errors too", async () => {
    const { app } = await serviceUnderTest();
    const { headers } = await app.inject("/nothing");
    expect(headers["content-security-policy"]).toContain("default-src 'none'");
  });
});

describe("on a real socket", () => {
  /** What comes back for these octets, until the service ends the line. */
  async function answerTo(octets: string): Promise<string> {
    const { app } = await serviceUnderTest();
    await app.listen({ host: "127.0.0.1", port: 0 });
    const { port } = app.server.address() as AddressInfo;
    const socket = connect(port, "127.0.0.1", () => socket.write(octets));
    let text = "";
    for await (const part of socket) text += String(part);
    return text;
  }

  it.each(["NOT HTTP\r\n\r\n", "GET /api/site HTTP/1.1\r\nhost: localhost\r\nbroken header\r\n\r\n"])(
    "%j gets the one form of errors",
    async (octets) => {
      expect(await answerTo(octets)).toMatch(/^HTTP\/1\.1 400 .*"code":"bad-request","sentence"/s);
    },
  );

  it("a request that names no host is refused", async () => {
    expect(await answerTo("GET /api/site HTTP/1.0\r\n\r\n")).toMatch(/^HTTP\/1\.1 403 .*"foreign-host"/s);
    expect(await answerTo("GET / HTTP/1.1\r\nhost:\r\nconnection: close\r\n\r\n")).toMatch(
      /^HTTP\/1\.1 403 /,
    );
  });

  it("refuses the handshake of a stranger's page with a status, not with a line", async () => {
    const { app } = await serviceUnderTest();
    await app.listen({ host: "127.0.0.1", port: 0 });
    const { port } = app.server.address() as AddressInfo;
    const socket = new WebSocket(`ws://127.0.0.1:${port}/live`, { origin: "http://rebound.example" });
    const status = await new Promise((resolve) => {
      socket.on("unexpected-response", (_request, response) => resolve(response.statusCode));
      socket.on("error", () => {});
    });
    expect(status).toBe(403);
    socket.terminate();
  });
});
