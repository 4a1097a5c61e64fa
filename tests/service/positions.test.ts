import { describe, expect, test } from "vitest";
import { NODE, serviceUnderTest } from "./parts.ts";

const SHED = "02005E1000000001";

describe("positions over HTTP", () => {
  test("are written whole: what is left out is not known", async () => {
    const { app, intake } = await serviceUnderTest();
    const answer = await app.inject({
      method: "PUT",
      url: `/api/positions/gateway/${SHED}`,
      payload: { latitudeDeg: 0.12, longitudeDeg: -0.54, heightM: 12 },
    });
    expect(answer.statusCode).toBe(204);
    expect(intake.positions).toEqual([
      {
        kind: "gateway",
        id: SHED,
        position: {
          latitudeDeg: 0.12,
          longitudeDeg: -0.54,
          eastM: null,
          northM: null,
          heightM: 12,
          eirpDbm: null,
          antennaGainDbi: null,
        },
      },
    ]);
    const gone = await app.inject({ method: "DELETE", url: `/api/positions/node/${NODE}` });
    expect(gone.statusCode).toBe(204);
    expect(intake.positions.at(-1)).toEqual({ kind: "node", id: NODE, position: null });
    await app.close();
  });

  test("that are half, wild or of nothing are refused with a sentence", async () => {
    const { app, intake } = await serviceUnderTest();
    for (const [url, payload] of [
      [`/api/positions/gateway/${SHED}`, { latitudeDeg: 0.12 }],
      [`/api/positions/gateway/${SHED}`, { eastM: 5 }],
      [`/api/positions/gateway/${SHED}`, { latitudeDeg: 91, longitudeDeg: 0 }],
      [`/api/positions/gateway/${SHED}`, { depth: 5 }],
      ["/api/positions/gateway/01A2B3C4", { eastM: 1, northM: 1 }],
      ["/api/positions/lorry/01A2B3C4", { eastM: 1, northM: 1 }],
    ] as const) {
      const answer = await app.inject({ method: "PUT", url, payload });
      expect([url, answer.statusCode]).toEqual([url, 400]);
      expect(answer.json()).toMatchObject({ code: "bad-request" });
    }
    expect(intake.positions).toEqual([]);
    await app.close();
  });

  test("and the plan are answered in the contract's shape", async () => {
    const { app } = await serviceUnderTest();
    expect((await app.inject({ url: "/api/positions" })).json()).toMatchObject({
      positions: expect.any(Array),
    });
    expect((await app.inject({ url: "/api/plan?last=3600" })).json()).toMatchObject({
      things: expect.any(Array),
      links: expect.any(Array),
    });
    await app.close();
  });
});
