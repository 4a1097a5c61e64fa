import { gunzipSync } from "node:zlib";
import { describe, expect, it } from "vitest";
import { serviceUnderTest } from "./parts.ts";

describe("an answer", () => {
  it("is compressed where the client takes it, and the same when it is unpacked", async () => {
    const { app } = await serviceUnderTest();
    const ask = (accepted: string) =>
      app.inject({ url: "/api/nodes", headers: { "accept-encoding": accepted } });
    const plain = await ask("identity");
    const packed = await ask("br, gzip;q=0.5");
    expect([plain.headers["content-encoding"], packed.headers["content-encoding"]]).toEqual([
      undefined,
      "gzip",
    ]);
    expect([plain.headers.vary, packed.headers.vary]).toEqual(["accept-encoding", "accept-encoding"]);
    expect(gunzipSync(packed.rawPayload).toString()).toBe(plain.body);
    expect(Number(packed.headers["content-length"])).toBe(packed.rawPayload.length);
    expect(packed.rawPayload.length).toBeLessThan(plain.rawPayload.length / 2);
  });

  it.each([
    ["gzip is refused", "/api/nodes", "gzip;q=0, identity"],
    ["the client names nothing", "/api/nodes", undefined],
    ["it is short", "/healthz", "gzip"],
  ])("is sent as it is when %s", async (_when, url, accepted) => {
    const { app } = await serviceUnderTest();
    const headers = accepted === undefined ? {} : { "accept-encoding": accepted };
    const answer = await app.inject({ url, headers });
    expect(answer.headers["content-encoding"]).toBeUndefined();
    expect(answer.json()).toBeTypeOf("object");
  });
});
