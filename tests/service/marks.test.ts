import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it, onTestFinished } from "vitest";
import { MarksView } from "../../src/contract/index.ts";
import { MarkEffect } from "../../src/contract/trials.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { changeMarks } from "../../src/store/user-data.ts";
import { notWritten } from "../../src/store/written.ts";
import { FakeIntake, NODE, NOW_MS, serviceUnderTest } from "./parts.ts";

const SHED = "02005E1000000001";

async function post(payload: object, intake = new FakeIntake()) {
  const { app } = await serviceUnderTest({ intake });
  const answer = await app.inject({ method: "POST", url: "/api/marks", payload });
  return { answer, marks: intake.marks };
}

describe("/api/marks", () => {
  it("pins a mark to now when no time is given", async () => {
    const { answer, marks } = await post({ text: "  Cut the hedge " });
    expect([answer.statusCode, answer.json()]).toEqual([200, { id: 7 }]);
    expect(marks).toMatchObject([
      { kind: "add", mark: { atUs: NOW_MS * 1000, untilUs: null, kind: "note", text: "Cut the hedge" } },
    ]);
  });

  it("pins a stop with its place", async () => {
    const { marks } = await post({
      text: "Row 3",
      kind: "stop",
      devAddr: NODE,
      at: "2026-04-14T11:30:00+02:00",
      position: { latitude: 51.5, longitude: -0.25 },
    });
    expect(marks).toMatchObject([
      {
        mark: {
          atUs: Date.UTC(2026, 3, 14, 9, 30) * 1000,
          latitude: 51.5,
          longitude: -0.25,
          eastMetres: null,
        },
      },
    ]);
  });

  it.each([
    [{}],
    [{ text: "   " }],
    [{ text: "x".repeat(201) }],
    [{ text: "two\nlines" }],
    [{ text: "turned \u202Earound" }],
    [{ text: "x", at: "yesterday" }],
    [{ text: "x", at: "2026-04-14T09:00:00Z", until: "2026-04-14T08:00:00Z" }],
    [{ text: "x", devAddr: NODE, gatewayEui: SHED }],
    [{ text: "x", devAddr: "01a2b3c4" }],
    [{ text: "x", kind: "trial" }],
    [{ text: "x", position: { latitude: 91, longitude: 0 } }],
    [{ text: "x", position: { eastMetres: 4 } }],
    [{ text: "x", position: { latitude: 1, longitude: 1, eastMetres: 4, northMetres: 1 } }],
  ])("refuses %j", async (payload) => {
    const { answer, marks } = await post(payload);
    expect([answer.statusCode, answer.json().code]).toEqual([400, "bad-request"]);
    expect(marks).toEqual([]);
  });

  it("keeps markup as the plain text that it is", async () => {
    const text = "<img src=x onerror=alert(1)>";
    expect((await post({ text })).marks).toMatchObject([{ mark: { text } }]);
  });

  it("changes and removes a mark by its number", async () => {
    const { app, intake } = await serviceUnderTest();
    const put = await app.inject({ method: "PUT", url: "/api/marks/7", payload: { until: null, text: "y" } });
    const gone = await app.inject({ method: "DELETE", url: "/api/marks/7" });
    expect([put.statusCode, gone.statusCode]).toEqual([204, 204]);
    expect(intake.marks).toEqual([
      { kind: "change", id: 7, edit: { untilUs: null, text: "y" } },
      { kind: "remove", id: 7 },
    ]);
  });

  it.each([
    ["no-such-mark", 404],
    ["marks-full", 409],
    ["mark-ends-early", 422],
  ] as const)("says why nothing was written: %s", async (code, status) => {
    const intake = new FakeIntake();
    intake.outcome = notWritten(code);
    const { app } = await serviceUnderTest({ intake });
    const answer = await app.inject({ method: "PUT", url: "/api/marks/9", payload: { text: "y" } });
    expect([answer.statusCode, answer.json().code]).toEqual([status, code]);
  });

  it("lists what touches the window, by gateway, node and kind, with the names people gave", async () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-marks-"));
    onTestFinished(() => rmSync(folder, { recursive: true }));
    const db = openStore(join(folder, "site.db"));
    const common = { untilUs: null, latitude: null, longitude: null, eastMetres: 1, northMetres: 2 };
    for (const [hour, text, gatewayEui, devAddr] of [
      [8, "Turned the antenna", SHED, null],
      [9, "New battery", null, NODE],
    ] as const)
      changeMarks(db, {
        kind: "add",
        mark: {
          ...common,
          atUs: Date.UTC(2026, 3, 14, hour) * 1000,
          kind: "note",
          text,
          gatewayEui,
          devAddr,
        },
      });
    db.prepare("INSERT INTO label (kind, id, name) VALUES ('gateway', ?, 'Packing shed')").run(SHED);
    const reader = openReader(join(folder, "site.db"));
    const { app } = await serviceUnderTest({ views: storeViews(reader) });
    const ask = async (query: string) =>
      MarksView.parse((await app.inject(`/api/marks${query}`)).json()).marks;
    expect(await ask("?last=10800")).toMatchObject([
      { text: "New battery", devAddr: NODE, nodeName: null, position: { eastMetres: 1, northMetres: 2 } },
      { text: "Turned the antenna", gatewayEui: SHED, gatewayName: "Packing shed" },
    ]);
    expect(await ask("?last=5400")).toHaveLength(1);
    expect(await ask(`?last=10800&gateway=${SHED}`)).toHaveLength(1);
    expect(await ask(`?last=10800&node=${NODE}&kind=stop`)).toHaveLength(0);
    const effect = MarkEffect.parse((await app.inject("/api/marks/1/effect?gateway=all&days=2")).json());
    expect(effect).toMatchObject({
      mark: { text: "Turned the antenna" },
      effect: "not enough",
      gateways: [],
    });
    const refused = async (path: string) => {
      const answer = await app.inject(path);
      return [answer.statusCode, answer.json<{ code: string }>().code];
    };
    expect(await refused("/api/marks/9/effect")).toEqual([404, "no-such-mark"]);
    expect(await refused(`/api/marks/1/effect?gateway=${SHED}`)).toEqual([404, "no-such-gateway"]);
    expect(await refused("/api/marks/1/effect?days=15")).toEqual([400, "bad-request"]);
    reader.close();
    db.close();
  });
});

describe("the site's name", () => {
  it("is handed to the intake, and taken back with null", async () => {
    const { app, intake } = await serviceUnderTest();
    const put = (name: unknown) => app.inject({ method: "PUT", url: "/api/site/name", payload: { name } });
    expect((await put(" Fennick Orchard ")).statusCode).toBe(204);
    expect((await put(null)).statusCode).toBe(204);
    expect((await put("x".repeat(81))).statusCode).toBe(400);
    expect(intake.changes).toEqual([
      { entity: "site-name", name: "Fennick Orchard" },
      { entity: "site-name", name: null },
    ]);
  });
});
