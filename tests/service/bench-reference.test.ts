import { describe, expect, test } from "vitest";
import { FakeIntake, NOW_MS, REFERENCE, serviceUnderTest } from "./parts.ts";

const url = "/api/bench-reference";

describe("the bench's reference over HTTP", () => {
  test("is told, set and taken away", async () => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    expect((await app.inject(url)).json()).toEqual({
      reference: { ...REFERENCE, name: "Water tower" },
    });
    const payload = { eui: "02005E1000000002", maxOffsetDb: 2.5, maxLossPoints: 1 };
    expect((await app.inject({ method: "PUT", url, payload })).statusCode).toBe(204);
    expect((await app.inject({ method: "DELETE", url })).statusCode).toBe(204);
    expect(intake.changes).toEqual([
      { entity: "bench-reference", reference: payload },
      { entity: "bench-reference", reference: null },
    ]);
  });

  test.each([
    [{ eui: "tower", maxOffsetDb: 3, maxLossPoints: 2 }],
    [{ eui: "02005E1000000002", maxOffsetDb: 0, maxLossPoints: 2 }],
    [{ eui: "02005E1000000002", maxOffsetDb: 3, maxLossPoints: 101 }],
    [{ eui: "02005E1000000002", maxOffsetDb: 3 }],
  ])("refuses %j and writes nothing", async (payload) => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    const answer = await app.inject({ method: "PUT", url, payload });
    expect(answer.statusCode).toBeGreaterThanOrEqual(400);
    expect(intake.changes).toEqual([]);
  });
});

describe("what is noted of a gateway on the bench over HTTP", () => {
  const url = "/api/bench/02005E1000000002/record";

  test("is a serial number, a signing off now or at a moment, and either taken back", async () => {
    const intake = new FakeIntake();
    const { app } = await serviceUnderTest({ intake });
    for (const payload of [
      { serial: " FO-1207 " },
      { signedOff: "now" },
      { signedOff: "2026-04-14T09:00:00Z" },
      { serial: null, signedOff: null },
    ])
      expect((await app.inject({ method: "PUT", url, payload })).statusCode).toBe(204);
    const eui = "02005E1000000002";
    expect(intake.changes).toEqual(
      [
        { eui, serial: "FO-1207" },
        { eui, signedOffUs: NOW_MS * 1000 },
        { eui, signedOffUs: Date.parse("2026-04-14T09:00:00Z") * 1000 },
        { eui, serial: null, signedOffUs: null },
      ].map((change) => ({ entity: "bench-record", change })),
    );
  });

  test.each([[{ serial: "x".repeat(81) }], [{ serial: "a\nb" }], [{ signedOff: "yesterday" }]])(
    "refuses %j and writes nothing",
    async (payload) => {
      const intake = new FakeIntake();
      const { app } = await serviceUnderTest({ intake });
      expect((await app.inject({ method: "PUT", url, payload })).statusCode).toBe(400);
      expect(intake.changes).toEqual([]);
    },
  );
});
