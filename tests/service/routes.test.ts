import { describe, expect, it } from "vitest";
import type { z } from "zod";
import * as contract from "../../src/contract/index.ts";
import { NODE, NOW_MS, serviceUnderTest } from "./parts.ts";

const VIEWS: readonly [string, z.ZodType][] = [
  ["/api/status", contract.ServiceStatus],
  ["/api/site?last=3600", contract.SiteView],
  ["/api/gateways?last=3600", contract.GatewaysView],
  ["/api/nodes?from=2026-04-14T04:00:00Z&to=2026-04-14T10:00:00Z", contract.NodesView],
  [`/api/nodes/${NODE}/1?last=600`, contract.NodePage],
  [`/api/receptions?devAddr=${NODE}&life=1&gateway=02005E1000000001&limit=20`, contract.ReceptionPage],
  ["/api/frames/12", contract.FrameView],
  ["/api/air", contract.AirView],
  ["/api/capacity?last=3600&share=0.9", contract.CapacityView],
  ["/api/strangers?last=3600", contract.StrangersView],
  [`/api/nodes/${NODE}/cost?last=3600&powerDbm=14`, contract.NodeCostView],
  ["/api/bench?last=3600&expect=EU868", contract.BenchTable],
  ["/api/bench/02005E1000000001?last=3600", contract.BenchView],
  ["/api/gateways/02005E1000000001/receiver?last=3600", contract.ReceiverView],
  ["/api/trials?last=3600&a=p2&b=p1", contract.TrialsView],
  ["/api/compare?a=Tower%20mast&b=North%20parapet", contract.TrialAnswer],
  ["/api/placements", contract.PlacementsView],
  ["/api/captures", contract.CapturesView],
  ["/api/refusals", contract.RefusalsView],
  ["/healthz", contract.Health],
];

describe("the routes", () => {
  it.each(VIEWS)("answers %s in the contract's shape, not to be kept by anyone", async (url, schema) => {
    const { app } = await serviceUnderTest();
    const response = await app.inject(url);
    expect(response.statusCode).toBe(200);
    expect(() => schema.parse(response.json())).not.toThrow();
    if (url !== "/healthz") expect(response.headers["cache-control"]).toBe("no-store");
  });

  it("hands the window and the moment on as they were asked for", async () => {
    const { app, views } = await serviceUnderTest();
    await app.inject("/api/site?last=3600");
    expect(views.asked.at(-1)).toEqual([
      "site",
      { last: 3600, from: undefined, to: undefined },
      NOW_MS * 1000,
    ]);
    const { window } = (await app.inject("/api/air?last=3600")).json<contract.AirView>();
    expect(window.to).toBe(new Date(NOW_MS).toISOString());
  });

  it("lets nothing leave that the contract does not name", async () => {
    const { app, views } = await serviceUnderTest();
    views.change = (answer) => ({ ...answer, networkKey: "secret" });
    const { body } = await app.inject("/api/site?last=60");
    expect(body).not.toContain("secret");
  });

  it("says what the intake and the store say of themselves", async () => {
    const { app, views } = await serviceUnderTest();
    const status = (await app.inject("/api/status")).json<contract.ServiceStatus>();
    expect(status.acknowledged).toEqual({ afterCommit: 40, beforeStored: 1, waiting: 0, dropped: 1 });
    expect(status.lost).toEqual({
      inKernel: 3,
      dropped: 1,
      bySource: [{ source: "198.51.100.9 5000", count: 1, lastAt: "2026-04-14T10:00:00.000Z" }],
      receiveBuffer: { askedBytes: 8_388_608, grantedBytes: 212_992 },
      words:
        "3 datagrams were lost before Mastlog could read them: the system's receive buffer was full. " +
        "1 datagram was dropped because more arrived than could be stored. The system grants a receive buffer of " +
        '208 KiB of 8\u202F192 KiB: a burst may be lost. On Linux "sysctl net.core.rmem_max=8388608" allows more.',
    });
    expect(status.arrived.lastFrom).toBe("192.0.2.7 40000");
    expect(status.storage).toMatchObject({ bytes: views.stored().bytes, receptions: 108 });
    expect(status.udp).toEqual([{ address: "127.0.0.1", port: 1700 }]);
    expect(status.siteName).toBe("Fennick Orchard");
  });

  it("has what is stored made rows before a question is answered, and not for the dashboard's files or a supervisor", async () => {
    const { app, intake } = await serviceUnderTest();
    await app.inject("/");
    await app.inject("/healthz");
    expect(intake.looks).toBe(0);
    await app.inject("/api/status");
    await app.inject("/api/nodes?last=60");
    await app.inject("/metrics");
    expect(intake.looks).toBe(3);
  });

  it("is unhealthy for a supervisor once the store has failed", async () => {
    const { app, intake } = await serviceUnderTest();
    intake.now = { ...intake.now, storage: "failed", storageWords: "The disk is full." };
    const response = await app.inject("/healthz");
    expect(response.statusCode).toBe(503);
    expect(contract.Health.parse(response.json())).toEqual({
      state: "failed",
      space: "unknown",
      version: "0.0.1",
    });
  });

  it("tells Prometheus the figures of the moment, not sums of its own", async () => {
    const { app, intake } = await serviceUnderTest();
    await app.inject("/metrics");
    intake.now = { ...intake.now, datagrams: 43 };
    const response = await app.inject("/metrics");
    expect(response.headers["content-type"]).toMatch(/^text\/plain; version=0\.0\.4/);
    expect(response.body).toContain("\nmastlog_datagrams_total 43\n");
    expect(response.body).toContain("\nmastlog_answered_before_stored_total 1\n");
    expect(response.body).toContain("\nmastlog_live_clients 0\n");
    expect(response.body).toMatch(/mastlog_refusals_total\{reason="[a-z_-]+",used="(yes|no)"\} \d+/);
  });
});

describe("names", () => {
  it("hands a new name to the intake", async () => {
    const { app, intake } = await serviceUnderTest();
    const url = "/api/labels/gateway/02005E1000000001";
    const response = await app.inject({ method: "PUT", url, payload: { name: "  Packing shed " } });
    expect([response.statusCode, response.body]).toEqual([204, ""]);
    expect(intake.labels).toEqual([{ kind: "gateway", id: "02005E1000000001", name: "Packing shed" }]);
  });

  it("takes a name back with null, and leaves what is not mentioned", async () => {
    const { app, intake } = await serviceUnderTest();
    const url = `/api/labels/node/${NODE}`;
    await app.inject({ method: "PUT", url, payload: { name: null } });
    await app.inject({ method: "PUT", url, payload: { own: true } });
    expect(intake.labels).toEqual([
      { kind: "node", id: NODE, name: null },
      { kind: "node", id: NODE, own: true },
    ]);
  });

  it("keeps markup as the plain text that it is", async () => {
    const { app, intake } = await serviceUnderTest();
    const name = "<img src=x onerror=alert(1)>";
    await app.inject({ method: "PUT", url: `/api/labels/node/${NODE}`, payload: { name } });
    expect(intake.labels[0]?.name).toBe(name);
  });

  it.each([
    ["node", "02005E1000000001"],
    ["gateway", NODE],
    ["channel", NODE],
    ["node", "01a2b3c4"],
  ])("refuses a label of %s %s", async (kind, id) => {
    const { app, intake } = await serviceUnderTest();
    const response = await app.inject({
      method: "PUT",
      url: `/api/labels/${kind}/${id}`,
      payload: { name: "x" },
    });
    expect(response.statusCode).toBe(400);
    expect(intake.labels).toEqual([]);
  });
});

describe("errors", () => {
  const WRONG: readonly [string, number, string][] = [
    ["/api/nothing", 404, "no-such-path"],
    ["/nothing.js", 404, "no-such-path"],
    ["/api/nodes/01A2B3C4/2", 404, "no-such-node"],
    ["/api/receptions?devAddr=01FFFFFF", 404, "no-such-node"],
    ["/api/frames/99999999", 404, "no-such-frame"],
    ["/api/frames/-1", 400, "bad-request"],
    ["/api/nodes/xyz/1", 400, "bad-request"],
    ["/api/site?last=1", 400, "bad-request"],
    ["/api/site?last=60&from=2026-04-14T04:00:00Z", 400, "bad-request"],
    ["/api/site?from=2026-04-14T04:00:00Z&to=2026-04-14T03:00:00Z", 400, "bad-request"],
    ["/api/site?from=yesterday", 400, "bad-request"],
    ["/api/receptions?life=1", 400, "bad-request"],
    ["/api/receptions?before=none", 400, "bad-request"],
    ["/api/receptions?limit=100000", 400, "bad-request"],
    ["/live", 426, "upgrade-needed"],
    ["/api/%", 400, "bad-request"],
  ];
  it.each(WRONG)("%s is answered with %i %s, a sentence and a remedy", async (url, status, code) => {
    const { app } = await serviceUnderTest();
    const response = await app.inject(url);
    expect(response.statusCode).toBe(status);
    const problem = contract.Problem.strict().parse(response.json());
    expect(problem.code).toBe(code);
    expect(problem.sentence).toMatch(/\.$/);
    expect(problem.remedy).toMatch(/\.$/);
  });

  it("shows nothing of the service's inside when it makes a mistake", async () => {
    const { app, views } = await serviceUnderTest();
    views.trouble = new Error("no such column: secret at /home/somebody/mastlog.db");
    const response = await app.inject("/api/site");
    expect(response.statusCode).toBe(500);
    expect(contract.Problem.strict().parse(response.json()).code).toBe("internal");
    expect(response.body).not.toMatch(/secret|somebody|\.ts/);
  });

  it.each([
    ["SQLITE_BUSY", "store-busy"],
    ["SQLITE_IOERR_READ", "store-failed"],
  ])("a store that says %s is no mistake of the service", async (sqlite, code) => {
    const { app, views } = await serviceUnderTest();
    views.trouble = Object.assign(new Error("database"), { code: sqlite });
    const response = await app.inject("/api/nodes");
    expect([response.statusCode, response.json<contract.Problem>().code]).toEqual([503, code]);
    expect(response.headers["retry-after"]).toBe("10");
  });

  it("an answer outside the contract is held back", async () => {
    const { app, views } = await serviceUnderTest();
    views.change = (answer) => ({ ...answer, nodes: "many" });
    const response = await app.inject("/api/nodes");
    expect([response.statusCode, response.json<contract.Problem>().code]).toEqual([500, "internal"]);
  });

  it("refuses bodies that are broken, of another type, or too large", async () => {
    const { app } = await serviceUnderTest();
    const put = async (payload: string, type: string) => {
      const headers = { "content-type": type };
      const response = await app.inject({ method: "PUT", url: `/api/labels/node/${NODE}`, headers, payload });
      return [response.statusCode, contract.Problem.parse(response.json()).code];
    };
    expect(await put("{", "application/json")).toEqual([400, "bad-request"]);
    expect(await put("name=x", "application/x-www-form-urlencoded")).toEqual([415, "wrong-media-type"]);
    const large = JSON.stringify({ name: "x".repeat(70_000) });
    expect(await put(large, "application/json")).toEqual([413, "too-large"]);
  });
});
