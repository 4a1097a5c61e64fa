import { describe, expect, it } from "vitest";
import type { Forgotten, Problem } from "../../src/contract/index.ts";
import { NODE, serviceUnderTest } from "./parts.ts";

const SHED = "02005E1000000001";

describe("forgetting over HTTP", () => {
  it("says first what will go, and takes nothing away by that", async () => {
    const { app, intake } = await serviceUnderTest();
    const answer = await app.inject(`/api/nodes/${NODE}/forgotten`);
    // 54 frames at two gateways.
    expect([answer.statusCode, answer.json<Forgotten>().receptions]).toEqual([200, 108]);
    expect(intake.forgotten).toEqual([]);
  });

  it("hands a node and a gateway to the recorder", async () => {
    const { app, intake, views } = await serviceUnderTest();
    views.change = (answer) =>
      answer ??
      ({ receptions: 1, datagrams: 1, frames: 0, placements: 0, marks: 0, keys: 0, words: "" } as never);
    for (const url of [`/api/nodes/${NODE}`, `/api/gateways/${SHED}`])
      expect((await app.inject({ method: "DELETE", url })).statusCode).toBe(202);
    expect(intake.forgotten).toEqual([
      { kind: "node", id: NODE },
      { kind: "gateway", id: SHED },
    ]);
  });

  it("knows nothing of what was never heard", async () => {
    const { app, intake } = await serviceUnderTest();
    const answer = await app.inject({ method: "DELETE", url: "/api/nodes/01FFFFFF" });
    expect([answer.statusCode, answer.json<Problem>().code]).toEqual([404, "no-such-node"]);
    expect(intake.forgotten).toEqual([]);
  });
});
