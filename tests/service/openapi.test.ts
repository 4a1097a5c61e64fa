import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { API_VERSION } from "../../src/contract/common.ts";
import type { ServiceStatus } from "../../src/contract/service.ts";
import { EXAMPLES } from "../../src/service/descriptions.ts";
import { serviceUnderTest } from "./parts.ts";

interface Operation {
  responses: Record<string, { description?: string; content?: Record<string, { schema: object }> }>;
  parameters?: { name: string; in: string }[];
}

async function description() {
  const { app } = await serviceUnderTest();
  const response = await app.inject("/api/openapi.json");
  expect(response.statusCode).toBe(200);
  return {
    app,
    document: response.json<{
      openapi: string;
      info: { version: string; description: string };
      paths: Record<string, Record<string, Operation>>;
    }>(),
  };
}

/** Paths and methods of the router's printed tree: each level of it is four characters deep. */
function routesOf(tree: string): string[] {
  const path: string[] = [];
  const routes: string[] = [];
  for (const line of tree.split("\n")) {
    const match = /^((?:[│ ] {3})*)[├└]── (.*?)(?: \(([A-Z, ]+)\))?$/.exec(line);
    if (match === null) continue;
    const [, indent = "", part = "", methods] = match;
    path.length = indent.length / 4;
    path.push(part);
    for (const method of methods?.split(", ") ?? []) routes.push(`${method} ${path.join("")}`);
  }
  return routes;
}

const NOT_DESCRIBED = new Set(["GET /", "GET /live"]);

describe("the description at /api/openapi.json", () => {
  it("names exactly the routes that there are", async () => {
    const { app, document } = await description();
    const described = Object.entries(document.paths).flatMap(([path, operations]) =>
      Object.keys(operations).map((method) => `${method.toUpperCase()} ${path.replace(/\{(\w+)\}/g, ":$1")}`),
    );
    const served = routesOf(app.printRoutes({ commonPrefix: false })).filter(
      (route) => !/^(HEAD|OPTIONS) /.test(route) && !NOT_DESCRIBED.has(route),
    );
    expect(served.length).toBeGreaterThan(12);
    expect(described.sort()).toEqual(served.sort());
  });

  it("gives every route shapes for success and for trouble", async () => {
    const { document } = await description();
    expect(document.openapi).toBe("3.1.0");
    for (const [path, operations] of Object.entries(document.paths)) {
      for (const [method, { responses }] of Object.entries(operations)) {
        const place = `${method} ${path}`;
        const statuses = Object.keys(responses);
        expect(statuses, place).toEqual(expect.arrayContaining(["4XX", "5XX"]));
        const success = statuses.find((status) => status.startsWith("2"));
        expect(success, place).toBeDefined();
        if (success === "204") continue;
        const [body] = Object.values(responses[success ?? ""]?.content ?? {});
        expect(Object.keys(body?.schema ?? {}).length, place).toBeGreaterThan(0);
      }
    }
  });

  it("bears the version of its promise, as the status tells it", async () => {
    const { app, document } = await description();
    expect(document.info.version).toBe(API_VERSION);
    expect((await app.inject("/api/status")).json<ServiceStatus>().apiVersion).toBe(API_VERSION);
    const readme = readFileSync(new URL("../../README.md", import.meta.url), "utf8");
    expect(readme).toContain(`version ${API_VERSION} `);
    expect(document.info.description).toMatch(/stay and mean the same.*may be added/);
  });

  it("gives an example of the main answers, and never says that no key can be added to one", async () => {
    const { document } = await description();
    for (const path of Object.keys(EXAMPLES))
      expect(document.paths[path]?.get?.responses["200"]?.content?.["application/json"], path).toHaveProperty(
        "example",
        EXAMPLES[path],
      );
    for (const operations of Object.values(document.paths))
      for (const { responses } of Object.values(operations))
        expect(JSON.stringify(Object.values(responses).map(({ content }) => content))).not.toContain(
          '"additionalProperties":false',
        );
  });

  it("describes the window on every view", async () => {
    const { document } = await description();
    for (const path of [
      "/api/site",
      "/api/gateways",
      "/api/nodes",
      "/api/nodes/{devAddr}/{life}",
      "/api/receptions",
      "/api/air",
      "/api/trials",
      "/api/compare",
      "/api/capacity",
      "/api/strangers",
      "/api/nodes/{devAddr}/cost",
      "/api/bench",
      "/api/bench/{eui}",
      "/api/gateways/{eui}/receiver",
    ]) {
      const names = document.paths[path]?.get?.parameters?.map(({ name }) => name);
      expect(names, path).toEqual(expect.arrayContaining(["from", "to", "last", "site"]));
    }
  });
});
