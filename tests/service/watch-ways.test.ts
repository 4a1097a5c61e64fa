import { createServer, type IncomingHttpHeaders } from "node:http";
import type { AddressInfo } from "node:net";
import { SMTPServer } from "smtp-server";
import { describe, expect, it, onTestFinished } from "vitest";
import type { WatchMessage, WatchWay } from "../../src/contract/watches.ts";
import type { LiveClock } from "../../src/service/live-view.ts";
import { RETRY_AFTER_S, signature, WayQueue, waysOf } from "../../src/service/watch-ways.ts";

const MESSAGE: WatchMessage = {
  id: "0e8f6c1e-0000-4000-8000-000000000001",
  at: "2026-03-14T09:12:00.000Z",
  site: "Fennick Orchard",
  test: false,
  subject: "Fennick Orchard: Begins: 2 gateways silent",
  text: "Begins: 2 gateways silent.\n- Gateway Packing shed has been silent for 10 min.\n",
  changes: [
    {
      incident: 1,
      change: "begin",
      watch: "gateway-silent",
      sentence: "Begins: 2 gateways silent.",
      things: ["Gateway Packing shed has been silent for 10 min."],
      more: 0,
      from: "2026-03-14T09:10:00.000Z",
      to: null,
    },
  ],
};

interface Post {
  readonly headers: IncomingHttpHeaders;
  readonly body: string;
}

/** A receiver on loopback that answers each request with the next status, the last again and again. */
async function receiver(...statuses: number[]) {
  const posts: Post[] = [];
  const server = createServer((request, response) => {
    let body = "";
    request.setEncoding("utf8").on("data", (text: string) => {
      body += text;
    });
    request.on("end", () => {
      const status = statuses[Math.min(posts.length, statuses.length - 1)] ?? 200;
      posts.push({ headers: request.headers, body });
      response.writeHead(status, status === 302 ? { location: "http://127.0.0.1:9/" } : {}).end();
    });
  });
  await new Promise<void>((ready) => server.listen(0, "127.0.0.1", ready));
  onTestFinished(() => {
    server.closeAllConnections();
    server.close();
  });
  return { posts, url: `http://127.0.0.1:${(server.address() as AddressInfo).port}/hook/of-somebody` };
}

/** A real mail server on loopback: what it was given, and with which words it refuses. */
async function mailServer(refusals: number[] = []) {
  const mails: { from: string; to: string[]; text: string; user: string | null }[] = [];
  const server = new SMTPServer({
    authOptional: true,
    disabledCommands: ["STARTTLS"],
    allowInsecureAuth: true,
    onAuth: ({ username, password }, _session, done) =>
      password === "orchard-pass" ? done(null, { user: username }) : done(new Error("no such user")),
    onRcptTo: (_address, _session, done) => {
      const responseCode = refusals.shift();
      done(responseCode === undefined ? null : Object.assign(new Error("not now"), { responseCode }));
    },
    onData: (stream, session, done) => {
      let text = "";
      stream.setEncoding("utf8");
      stream.on("data", (part: string) => {
        text += part;
      });
      stream.on("end", () => {
        const { mailFrom, rcptTo } = session.envelope;
        const from = mailFrom === false ? "" : mailFrom.address;
        mails.push({ from, to: rcptTo.map(({ address }) => address), text, user: session.user ?? null });
        done();
      });
    },
  });
  await new Promise<void>((ready) => server.listen(0, "127.0.0.1", ready));
  onTestFinished(() => new Promise<void>((done) => server.close(done)));
  return { mails, port: (server.server.address() as AddressInfo).port };
}

/** A queue whose pauses end when the test says so. */
function queueOf(way: WatchWay) {
  const pausesMs: number[] = [];
  const pending: (() => void)[] = [];
  const lines: string[] = [];
  const clock: LiveClock = {
    monotonicMs: () => 0,
    after: (ms, work) => {
      pausesMs.push(ms);
      pending.push(work);
      return () => undefined;
    },
  };
  let onMoved: () => void = () => undefined;
  const log = (line: string) => void lines.push(line);
  const [only] = waysOf([way], log);
  if (only === undefined) throw new Error("no way");
  const queue = new WayQueue(only, {
    clock,
    log,
    now: () => Date.parse(MESSAGE.at),
    onMoved: () => onMoved(),
  });
  onTestFinished(() => queue.close());
  const moved = () =>
    new Promise<void>((done) => {
      onMoved = done;
    });
  return {
    queue,
    lines,
    pausesMs,
    add: async (message = MESSAGE) => {
      const settled = moved();
      queue.add(message);
      await settled;
    },
    tryAgain: async () => {
      const settled = moved();
      pending.shift()?.();
      await settled;
    },
  };
}

describe("a webhook", () => {
  it("is posted the message as JSON, signed so that the receiver can check it", async () => {
    const { posts, url } = await receiver(200);
    const { queue, add } = queueOf({ way: "webhook", url, secret: "orchard-secret" });
    await add();
    const [{ headers, body } = { headers: {}, body: "" }] = posts;
    expect(JSON.parse(body)).toEqual(MESSAGE);
    expect([headers["content-type"], headers["idempotency-key"]]).toEqual(["application/json", MESSAGE.id]);
    expect(headers["x-mastlog-timestamp"]).toBe(MESSAGE.at);
    expect(headers["x-mastlog-signature"]).toBe(`sha256=${signature("orchard-secret", MESSAGE.at, body)}`);
    expect(queue.status).toEqual({
      name: `webhook ${new URL(url).host}`,
      state: "told",
      words: "",
      at: MESSAGE.at,
    });
  });

  it("is tried again after growing pauses while the receiver fails, with the same identifier", async () => {
    const { posts, url } = await receiver(503, 429, 200);
    const { queue, pausesMs, add, tryAgain } = queueOf({ way: "webhook", url });
    await add();
    expect(queue.status).toMatchObject({
      state: "waiting",
      words: "the receiver answered 503; next try in 10\u202Fs",
    });
    await tryAgain();
    await tryAgain();
    expect(queue.status.state).toBe("told");
    expect(pausesMs).toEqual([10_000, 60_000]);
    expect(new Set(posts.map(({ headers }) => headers["idempotency-key"]))).toEqual(new Set([MESSAGE.id]));
    expect(posts[0]?.headers).not.toHaveProperty("x-mastlog-signature");
  });

  it("is given up at once when it refuses, and the log says so without the path", async () => {
    const { posts, url } = await receiver(410);
    const { queue, lines, add } = queueOf({ way: "webhook", url });
    await add();
    expect(queue.status).toMatchObject({ state: "failed", words: "not sent: the receiver answered 410" });
    expect(lines).toEqual([
      `"${MESSAGE.subject}" could not be sent to webhook ${new URL(url).host}: the receiver answered 410.`,
    ]);
    expect(lines.join()).not.toContain("of-somebody");
    expect(posts).toHaveLength(1);
  });

  it("is never followed to another address", async () => {
    const { url } = await receiver(302);
    const { queue, add } = queueOf({ way: "webhook", url });
    await add();
    expect(queue.status.state).toBe("waiting");
  });

  it("is given up after the last pause; then the next message has its turn", async () => {
    const { posts, url } = await receiver(...RETRY_AFTER_S.map(() => 500), 500, 200);
    const { queue, add, tryAgain } = queueOf({ way: "webhook", url });
    await add();
    queue.add({ ...MESSAGE, id: "second" });
    for (const _ of RETRY_AFTER_S) await tryAgain();
    expect(queue.status.state).toBe("failed");
    await expect.poll(() => queue.status.state).toBe("told");
    expect(posts.map(({ headers }) => headers["idempotency-key"])).toEqual([
      ...Array(RETRY_AFTER_S.length + 1).fill(MESSAGE.id),
      "second",
    ]);
  });
});

describe("an e-mail", () => {
  const way = (port: number): WatchWay => ({
    way: "e-mail",
    host: "127.0.0.1",
    port,
    tls: "none",
    user: "mast",
    password: "orchard-pass",
    from: "mast@orchard.example",
    to: ["pat@orchard.example", "sam@orchard.example"],
  });

  it("reaches a mail server with its subject, text and all its receivers", async () => {
    const { mails, port } = await mailServer();
    const { queue, add } = queueOf(way(port));
    await add();
    expect(queue.status).toMatchObject({ name: "e-mail to 2 addresses", state: "told" });
    expect(mails).toHaveLength(1);
    expect(mails[0]).toMatchObject({
      from: "mast@orchard.example",
      to: ["pat@orchard.example", "sam@orchard.example"],
      user: "mast",
    });
    expect(mails[0]?.text).toContain(`Subject: ${MESSAGE.subject}`);
    expect(mails[0]?.text).toContain("- Gateway Packing shed has been silent for 10 min.");
    expect(mails[0]?.text).toContain(`Message-ID: <${MESSAGE.id}@mastlog.invalid>`);
  });

  it("is tried again after a passing refusal, and not after a lasting one", async () => {
    const { mails, port } = await mailServer([450, 450]);
    const { queue, add, tryAgain } = queueOf(way(port));
    await add();
    expect(queue.status.state).toBe("waiting");
    await tryAgain();
    expect([queue.status.state, mails.length]).toEqual(["told", 1]);
    const refusing = await mailServer([550, 550]);
    const other = queueOf(way(refusing.port));
    await other.add();
    expect(other.queue.status.state).toBe("failed");
  });

  it("shows no password when the server refuses it", async () => {
    const { port } = await mailServer();
    const { queue, lines, add } = queueOf({ ...way(port), password: "not-the-right-one" } as WatchWay);
    await add();
    expect(queue.status.state).toBe("failed");
    expect(`${queue.status.words} ${lines.join()}`).not.toContain("not-the-right-one");
  });
});

describe("the log", () => {
  it("has one line a message, with what it is about", async () => {
    const { lines, add } = queueOf({ way: "log" });
    await add();
    expect(lines).toEqual([
      "Watch: Fennick Orchard: Begins: 2 gateways silent. Gateway Packing shed has been silent for 10 min.",
    ]);
  });
});
