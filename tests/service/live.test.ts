import { once } from "node:events";
import { type AddressInfo, connect } from "node:net";
import { describe, expect, it, onTestFinished, vi } from "vitest";
import { WebSocket } from "ws";
import * as contract from "../../src/contract/index.ts";
import { ServiceProblem } from "../../src/service/errors.ts";
import { applyMessage, type Subscribed, UNBORN } from "../../web/src/state/live.ts";
import { NODE, serviceUnderTest, WIDE } from "./parts.ts";

const QUICK = { leastMs: 20, mostMs: 200, retryMs: 20 };

async function lineTo(part: Parameters<typeof serviceUnderTest>[0] = {}) {
  const test = await serviceUnderTest({ livePace: QUICK, ...part });
  await test.app.listen({ host: "127.0.0.1", port: 0 });
  const { port } = test.app.server.address() as AddressInfo;
  const socket = new WebSocket(`ws://127.0.0.1:${port}/live`);
  onTestFinished(() => socket.terminate());
  const got: contract.ServerMessage[] = [];
  let wake = () => {};
  socket.on("message", (data) => {
    got.push(contract.ServerMessage.parse(JSON.parse(String(data))));
    wake();
  });
  await once(socket, "open");
  const say = (message: contract.ClientMessage) => socket.send(JSON.stringify(message));
  /** The next message; waits for it. */
  const next = async (): Promise<contract.ServerMessage> => {
    while (got.length === 0)
      await new Promise<void>((resolve) => {
        wake = resolve;
      });
    return got.shift() as contract.ServerMessage;
  };
  return { ...test, port, socket, say, next, got };
}

describe("the live line", () => {
  const TOPICS = [
    ["status", contract.ServiceStatus, undefined],
    ["site", contract.SiteView, undefined],
    ["nodes", contract.NodesView, undefined],
    ["air", contract.AirView, undefined],
    ["bench", contract.BenchView, "02005E1000000001"],
    ["captures", contract.CapturesView, undefined],
    ["marks", contract.MarksView, undefined],
    ["feed", contract.FeedView, undefined],
    ["node", contract.NodePage, `${NODE}/1`],
  ] as const;
  it.each(TOPICS)("shows %s as its route does", async (topic, schema, key) => {
    const { say, next } = await lineTo();
    say({ type: "subscribe", id: 5, topic, last: 3600, ...(key === undefined ? {} : { key }) });
    const message = await next();
    expect(message).toMatchObject({ type: "snapshot", id: 5, seq: 1 });
    expect(() => schema.parse("view" in message ? message.view : null)).not.toThrow();
  });

  it("narrows a view to the site of its subscription, beside one of all sites", async () => {
    const { say, next, views } = await lineTo();
    say({ type: "subscribe", id: 1, topic: "nodes", last: 600 });
    say({ type: "subscribe", id: 2, topic: "nodes", last: 600, site: "Hollow Quarry" });
    const got = [await next(), await next()];
    expect(got.map(({ type, id }) => `${type} ${id}`).sort()).toEqual(["snapshot 1", "snapshot 2"]);
    expect(views.asked.filter(([question]) => question === "nodes").map(([, window]) => window)).toEqual(
      expect.arrayContaining([{ last: 600 }, { last: 600, site: "Hollow Quarry" }]),
    );
  });

  it("shows the bench by the plan that its key names, and renews it when the gateway sends", async () => {
    const { say, next, intake, views } = await lineTo();
    say({ type: "subscribe", id: 3, topic: "bench", last: 3600, key: "02005E1000000001/CN470/20MHz-A" });
    expect(await next()).toMatchObject({ type: "snapshot", view: { expected: "CN470/20MHz-A" } });
    const before = views.asked.length;
    intake.commit({ gateways: ["02005E1000000001"], nodes: [], lastReceptionId: 1, wide: false });
    await vi.waitFor(() => expect(views.asked.length).toBeGreaterThan(before));
    say({ type: "subscribe", id: 4, topic: "bench", last: 3600, key: "02005E1000000001/" });
    await vi.waitFor(async () => expect(await next()).toMatchObject({ type: "trouble", id: 4 }));
  });

  it("tells a plan that there is not as a trouble", async () => {
    const { say, next, views } = await lineTo();
    views.trouble = new ServiceProblem("no-such-plan", "Near names: US915.");
    say({ type: "subscribe", id: 3, topic: "bench", last: 3600, key: "02005E1000000001/US914" });
    expect(await next()).toEqual({ type: "trouble", id: 3, sentence: "Near names: US915." });
  });

  it("keeps a dashboard equal to the view through snapshots and deltas", async () => {
    let nowMs = Date.UTC(2026, 3, 14, 10);
    const { say, next, intake, app } = await lineTo({ now: () => nowMs });
    say({ type: "subscribe", id: 1, topic: "nodes", last: 3600 });
    let held: Subscribed = applyMessage(UNBORN, await next()).next;
    for (let i = 0; i < 5; i++) {
      nowMs += 300_000;
      intake.commit(WIDE);
      const step = applyMessage(held, await next());
      expect(step.resync).toBe(false);
      held = step.next;
    }
    const answer = await app.inject("/api/nodes?last=3600");
    expect(held.view).toEqual(answer.json());
    expect(held.seq).toBe(6);
  });

  it("sends only the row of a capture whose reading goes on", async () => {
    const { say, next, intake } = await lineTo();
    say({ type: "subscribe", id: 1, topic: "captures", last: 60 });
    const first = await next();
    const { captures } = contract.CapturesView.parse("view" in first ? first.view : null);
    const reading = captures.find(({ state }) => state === "reading") ?? captures[0];
    intake.capture({ captureId: reading?.id ?? 0, progress: 0.5, state: "reading" });
    const delta = await next();
    expect(delta).toMatchObject({
      type: "delta",
      seq: 2,
      set: {},
      edit: {
        captures: {
          edit: { [captures.findIndex(({ id }) => id === reading?.id)]: { set: { progress: 0.5 } } },
        },
      },
    });
  });

  it("says that a node is not there", async () => {
    const { say, next } = await lineTo();
    say({ type: "subscribe", id: 2, topic: "node", last: 60, key: "01FFFFFF/1" });
    expect(await next()).toMatchObject({
      type: "trouble",
      id: 2,
      sentence: expect.stringContaining("No node"),
    });
  });

  it("hears a message that was sent the moment the line opened", async () => {
    const { app } = await serviceUnderTest();
    const socket = await app.injectWS(
      "/live",
      { headers: { host: "localhost" } },
      { onOpen: (opened) => opened.send('{"type":"subscribe","id":1,"topic":"status"}') },
    );
    const [data] = await once(socket, "message");
    expect(JSON.parse(String(data))).toMatchObject({ type: "snapshot", id: 1 });
    socket.terminate();
  });

  it("ends when a message is larger than any of the protocol", async () => {
    const { socket } = await lineTo();
    const closed = once(socket, "close");
    socket.send("x".repeat(70_000));
    // RFC 6455 section 7.4.1: 1009, message too big.
    expect((await closed)[0]).toBe(1009);
  });

  it("does not remember who has gone", async () => {
    const { socket, app, say, next } = await lineTo();
    say({ type: "subscribe", id: 1, topic: "site", last: 60 });
    await next();
    expect((await app.inject("/metrics")).body).toContain("mastlog_live_clients 1\n");
    socket.terminate();
    await expect
      .poll(async () => (await app.inject("/metrics")).body, { timeout: 30_000 })
      .toContain("mastlog_live_clients 0\n");
  });
});

describe("the end of the service", () => {
  it("comes with lines open, one of them deaf, and a request half sent", async () => {
    const { app, socket, port, intake, say, next } = await lineTo();
    say({ type: "subscribe", id: 1, topic: "site", last: 60 });
    await next();
    const deaf = new WebSocket(`ws://127.0.0.1:${port}/live`);
    await once(deaf, "open");
    deaf.pause();
    const half = connect(port, "127.0.0.1");
    half.on("error", () => {});
    await once(half, "connect");
    half.write(
      "POST /api/captures?name=x HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/octet-stream\r\ncontent-length: 1000\r\n\r\nhalf",
    );
    await new Promise((resolve) => setTimeout(resolve, 50));
    const closed = once(socket, "close");
    // One that waited for the deaf line, or for the rest of the request, would not come to its end.
    await app.close();
    expect((await closed)[0]).toBe(1001);
    expect(intake.listeners).toBe(0);
    deaf.terminate();
    half.destroy();
  });
});
