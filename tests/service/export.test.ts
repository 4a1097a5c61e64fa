import { Readable } from "node:stream";
import { describe, expect, it } from "vitest";
import type { ExportQuery } from "../../src/contract/service.ts";
import { NODE, NOW_MS, serviceUnderTest, TOKEN } from "./parts.ts";

describe("GET /api/exports", () => {
  it("says of each how far it is", async () => {
    const { app } = await serviceUnderTest();
    expect((await app.inject("/api/exports")).json()).toEqual({
      exports: [{ id: 1, name: "mastlog-nodes.csv", state: "running", share: 0.25, bytes: 48_000 }],
    });
  });
});

describe("GET /api/export", () => {
  it("sends a file with a name and a type", async () => {
    const { app } = await serviceUnderTest();
    const response = await app.inject("/api/export?what=nodes&format=csv");
    expect(response.statusCode).toBe(200);
    expect(response.headers["content-type"]).toBe("text/csv; charset=utf-8");
    expect(response.headers["content-disposition"]).toBe('attachment; filename="mastlog-nodes.csv"');
    expect(response.body).toBe(`devAddr\r\n${NODE}\r\n`);
  });

  it("hands on table, form, window, gateway and node", async () => {
    const asked: [ExportQuery, number][] = [];
    const { app } = await serviceUnderTest({
      exports: {
        begin: async (query, nowUs) => {
          asked.push([query, nowUs]);
          return { name: "x.jsonl", stream: Readable.from([]) };
        },
        list: () => [],
      },
    });
    const from = "2026-04-14T09:00:00Z";
    const question = `what=gaps&format=jsonl&from=${from}&gateway=02005E1000000001&node=${NODE}`;
    expect((await app.inject(`/api/export?${question}`)).statusCode).toBe(200);
    expect(asked).toEqual([
      [{ what: "gaps", format: "jsonl", from, gateway: "02005E1000000001", node: NODE }, NOW_MS * 1000],
    ]);
  });

  it("refuses what there is not, with a sentence", async () => {
    const { app } = await serviceUnderTest();
    const sentence = async (question: string) => {
      const response = await app.inject(`/api/export?${question}`);
      return [response.statusCode, response.json<{ code: string; sentence: string }>().code];
    };
    expect(await sentence("what=nodes&format=pcap")).toEqual([400, "bad-request"]);
    expect(await sentence("what=secrets&format=csv")).toEqual([400, "bad-request"]);
    expect(await sentence("what=nodes&format=csv&gateway=1")).toEqual([400, "bad-request"]);
    expect(await sentence("what=nodes&format=csv&last=60&to=2026-04-14T09:00:00Z")).toEqual([
      400,
      "bad-request",
    ]);
  });

  it("asks for the token as every path with data does", async () => {
    const { app } = await serviceUnderTest({ token: TOKEN });
    const path = "/api/export?what=nodes&format=csv";
    expect((await app.inject(path)).statusCode).toBe(401);
    const headers = { authorization: `Bearer ${TOKEN}` };
    expect((await app.inject({ url: path, headers })).statusCode).toBe(200);
  });
});
