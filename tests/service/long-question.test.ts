import { once } from "node:events";
import { type AddressInfo, connect } from "node:net";
import { describe, expect, it, onTestFinished } from "vitest";
import { WebSocket } from "ws";
import { SYSTEM_CLOCK } from "../../src/service/live-view.ts";
import { startReadingThread } from "../../src/service/reading-messages.ts";
import { ReadingPool } from "../../src/service/reading-pool.ts";
import { NOW_MS, notedViews, serviceUnderTest, WIDE } from "./parts.ts";

const MONTH = "last=2592000";

/** A service over real reading threads, of which the one that is asked for the site answers only once `release` is called. */
async function serviceWithHeldSite(idleMs = 60_000) {
  const views = notedViews();
  const window = { last: 3_600 };
  const nowUs = NOW_MS * 1000;
  const answers = {
    site: views.site(window, nowUs),
    nodes: views.nodes(window, nowUs),
    gaps: views.gaps(window, nowUs),
    siteFigures: views.siteFigures(nowUs),
  };
  const gate = new Int32Array(new SharedArrayBuffer(4));
  const release = () => {
    Atomics.store(gate, 0, 1);
    Atomics.notify(gate, 0);
  };
  const file = new URL("./held-thread.mjs", import.meta.url);
  const pool = new ReadingPool({
    start: (events) => startReadingThread(file, { held: "site", answers, gate }, events),
    threads: 2,
    state: () => 1,
    clock: SYSTEM_CLOCK,
    log: () => {},
  });
  let passedMs = 0;
  const { app, intake } = await serviceUnderTest({
    ask: pool.ask,
    now: () => NOW_MS + passedMs,
    livePace: { leastMs: 10, mostMs: 10_000 },
    idleMs,
  });
  onTestFinished(() => pool.close());
  await app.listen({ host: "127.0.0.1", port: 0 });
  const { port } = app.server.address() as AddressInfo;
  const get = (path: string, signal?: AbortSignal) =>
    fetch(`http://127.0.0.1:${port}${path}`, signal === undefined ? {} : { signal });
  const pass = (ms: number) => {
    passedMs += ms;
  };
  return { port, get, release, intake, pass };
}

describe("while a long question is worked on", () => {
  it("everything else is answered, and the live line goes on", async () => {
    const { port, get, release, intake, pass } = await serviceWithHeldSite();
    const order: string[] = [];
    const site = get(`/api/site?${MONTH}`).then((answer) => order.push(`site ${answer.status}`));
    const line = new WebSocket(`ws://127.0.0.1:${port}/live`);
    onTestFinished(() => line.terminate());
    await once(line, "open");
    const heard = async () => JSON.parse(String((await once(line, "message"))[0]));
    line.send('{"type":"subscribe","id":1,"topic":"status"}');
    expect(await heard()).toMatchObject({ type: "snapshot", id: 1 });
    line.send('{"type":"subscribe","id":2,"topic":"nodes"}');
    expect(await heard()).toMatchObject({ type: "snapshot", id: 2 });
    pass(60_000);
    intake.commit(WIDE);
    expect(await heard()).toMatchObject({ type: "delta", id: 1 });
    for (const path of ["/healthz", "/api/status", "/metrics", "/api/nodes?last=3600"])
      order.push(`${path} ${(await get(path)).status}`);
    release();
    await site;
    expect(order).toEqual([
      "/healthz 200",
      "/api/status 200",
      "/metrics 200",
      "/api/nodes?last=3600 200",
      "site 200",
    ]);
  });

  it("its line is not cut as idle, while one that asks nothing is", async () => {
    const { port, get, release } = await serviceWithHeldSite(250);
    const site = get(`/api/site?${MONTH}`);
    const silent = connect(port, "127.0.0.1");
    onTestFinished(() => void silent.destroy());
    await once(silent, "connect");
    await once(silent.resume(), "close");
    release();
    expect((await site).status).toBe(200);
  });

  it("its thread is freed when who asked over HTTP goes away", async () => {
    const { get } = await serviceWithHeldSite();
    const page = new AbortController();
    const site = get(`/api/site?${MONTH}`, page.signal);
    const gaps = get(`/api/gaps?${MONTH}`);
    await get("/api/nodes?last=3600");
    page.abort();
    await expect(site).rejects.toThrow();
    // Nobody opens the gate: only the end of the held thread lets the second long question begin.
    expect((await gaps).status).toBe(200);
  });

  it("its thread is freed when who watched it on the live line goes away", async () => {
    const { port, get } = await serviceWithHeldSite();
    const line = new WebSocket(`ws://127.0.0.1:${port}/live`);
    await once(line, "open");
    line.send('{"type":"subscribe","id":1,"topic":"site","last":2592000}');
    line.send('{"type":"subscribe","id":2,"topic":"status"}');
    await once(line, "message");
    line.send('{"type":"unsubscribe","id":1}');
    expect((await get(`/api/gaps?${MONTH}`)).status).toBe(200);
    line.terminate();
  });
});
