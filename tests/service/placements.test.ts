import { describe, expect, test } from "vitest";
import { notWritten } from "../../src/store/written.ts";
import { FakeIntake, serviceUnderTest } from "./parts.ts";

const NEW = {
  name: " Tower mast ",
  gatewayEui: "02005E1000000002",
  from: "2026-04-14T08:00:00Z",
  heightM: 17.5,
};

describe("placements over HTTP", () => {
  test("are listed, noted, changed and removed", async () => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    const listed = await app.inject("/api/placements");
    expect(listed.json().placements.map(({ name }: { name: string }) => name)).toEqual([
      "North parapet",
      "Tower mast",
    ]);
    const noted = await app.inject({ method: "POST", url: "/api/placements", payload: NEW });
    expect(noted.json()).toEqual({ id: 7 });
    await app.inject({ method: "PUT", url: "/api/placements/4", payload: { note: "", cableLossDb: 1.5 } });
    await app.inject({ method: "DELETE", url: "/api/placements/4" });
    expect(intake.placements).toEqual([
      {
        kind: "add",
        placement: {
          name: "Tower mast",
          gatewayEui: "02005E1000000002",
          antenna: null,
          fromUs: Date.UTC(2026, 3, 14, 8) * 1000,
          heightM: 17.5,
          antennaGainDbi: null,
          cableLossDb: null,
          direction: null,
          note: null,
        },
      },
      { kind: "change", id: 4, edit: { note: null, cableLossDb: 1.5 } },
      { kind: "remove", id: 4 },
    ]);
  });

  test.each([
    ["no-such-placement", 404],
    ["placements-full", 409],
    ["placement-begins-twice", 409],
    ["placement-elsewhere", 409],
  ] as const)("say why nothing was written: %s", async (code, status) => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    intake.outcome = notWritten(code);
    const answer = await app.inject({ method: "POST", url: "/api/placements", payload: NEW });
    expect([answer.statusCode, answer.json().code]).toEqual([status, code]);
  });

  test.each([
    [{ ...NEW, gatewayEui: "tower" }],
    [{ ...NEW, name: "" }],
    [{ ...NEW, name: "two\nlines" }],
    [{ ...NEW, cableLossDb: -3 }],
    [{ ...NEW, from: "yesterday" }],
  ])("refuse what is no placement: %j", async (payload) => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    const answer = await app.inject({ method: "POST", url: "/api/placements", payload });
    expect(answer.statusCode).toBe(400);
    expect(intake.placements).toEqual([]);
  });
});

test("a comparison with what is not there says so", async () => {
  const { app } = await serviceUnderTest();
  const answer = await app.inject("/api/compare?a=nowhere&b=p1");
  expect([answer.statusCode, answer.json().code]).toEqual([404, "no-such-side"]);
});
