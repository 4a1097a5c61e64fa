/**
 * Are the examples of the API's description answers of the service? They are made here, from a sample capture, and
 * written by `MASTLOG_WRITE_EXAMPLES=1 npx vitest run --config tests/vitest.config.ts --project unit THIS-FILE`. Words
 * and figures of an answer may move on; that a key came, went or changed its type makes them due.
 */
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import type { z } from "zod";
import { importCommand } from "../../src/commands/import.ts";
import * as contract from "../../src/contract/index.ts";
import { EXAMPLES } from "../../src/service/descriptions.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { openReader, openStore, type Store } from "../../src/store/open.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { changeMarks, NO_POSITION } from "../../src/store/user-data.ts";
import { run } from "../commands/run-command.ts";
import { serviceUnderTest } from "./parts.ts";

const SAMPLE = fileURLToPath(new URL("../../sample-captures/orchard-bench.pcap", import.meta.url));
const FILE = fileURLToPath(new URL("../../src/service/openapi-examples.json", import.meta.url));

const NODE_PATH = "/api/nodes/{devAddr}/{life}";
/** Paths of the description, with what is asked for and the schema of the answer. */
const ASKED: Readonly<
  Record<string, { readonly url: (node: string) => string; readonly schema: z.ZodType }>
> = {
  "/api/site": { url: () => "/api/site", schema: contract.SiteView },
  "/api/gateways": { url: () => "/api/gateways", schema: contract.GatewaysView },
  "/api/nodes": { url: () => "/api/nodes", schema: contract.NodesView },
  [NODE_PATH]: { url: (node) => `/api/nodes/${node}`, schema: contract.NodePage },
  "/api/receptions": { url: () => "/api/receptions?limit=1", schema: contract.ReceptionPage },
  "/api/air": { url: () => "/api/air", schema: contract.AirView },
  "/api/gaps": { url: () => "/api/gaps", schema: contract.GapsView },
  "/api/bench": { url: () => "/api/bench", schema: contract.BenchTable },
  "/api/marks/{id}/effect": { url: () => "/api/marks/1/effect", schema: contract.MarkEffect },
  "/api/joins": { url: () => "/api/joins", schema: contract.JoinsView },
};

let folder = "";
let store: Store;
const made: Record<string, unknown> = {};
beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-examples-"));
  const path = join(folder, "site.db");
  expect((await run(importCommand(), SAMPLE, "--db", path)).exitCode).toBe(0);
  const db = openStore(path);
  const span = storedSpanUs(db);
  const atUs = Math.round(((span?.fromUs ?? 0) + (span?.toUs ?? 0)) / 2);
  const mark = {
    ...NO_POSITION,
    atUs,
    untilUs: null,
    text: "Cut the hedge",
    gatewayEui: null,
    devAddr: null,
  };
  changeMarks(db, { kind: "add", mark: { ...mark, kind: "note" } });
  db.close();
  store = openReader(path);
});
afterAll(() => {
  store.close();
  rmSync(folder, { recursive: true });
});

/** Lists cut to their first element; pairs stay. */
function cut(value: unknown): unknown {
  if (Array.isArray(value)) {
    const isPair = value.length === 2 && value.every((one) => typeof one === "number");
    return (isPair ? value : value.slice(0, 1)).map(cut);
  }
  if (typeof value !== "object" || value === null) return value;
  return Object.fromEntries(Object.entries(value).map(([key, inside]) => [key, cut(inside)]));
}

/** Every key at any depth with the type of what stands there: "nodes[].heard number". */
function shapeOf(value: unknown, place = ""): string[] {
  if (Array.isArray(value)) return [`${place}[]`, ...value.flatMap((one) => shapeOf(one, `${place}[]`))];
  if (typeof value !== "object" || value === null)
    return [`${place} ${value === null ? "null" : typeof value}`];
  return Object.entries(value).flatMap(([key, inside]) => shapeOf(inside, `${place}.${key}`));
}

describe("the examples of the API's description", () => {
  it("have the keys and types of the service's answers over a sample", async () => {
    const { app } = await serviceUnderTest({ views: storeViews(store) });
    const { nodes } = (await app.inject("/api/nodes")).json<contract.NodesView>();
    const [first] = nodes.filter(({ stranger, frames }) => !stranger && frames > 0);
    for (const [path, { url }] of Object.entries(ASKED)) {
      const response = await app.inject(url(`${first?.devAddr}/${first?.life}`));
      expect(response.statusCode, path).toBe(200);
      made[path] = cut(response.json());
    }
    if (process.env.MASTLOG_WRITE_EXAMPLES === "1") writeFileSync(FILE, `${JSON.stringify(made, null, 1)}\n`);
    expect(Object.keys(EXAMPLES)).toEqual(Object.keys(made));
    for (const [path, example] of Object.entries(EXAMPLES))
      expect([...new Set(shapeOf(example))].sort(), path).toEqual([...new Set(shapeOf(made[path]))].sort());
  });

  it("are answers in the contract's shape", () => {
    for (const [path, { schema }] of Object.entries(ASKED))
      expect(schema.parse(EXAMPLES[path]), path).toEqual(EXAMPLES[path]);
  });
});
