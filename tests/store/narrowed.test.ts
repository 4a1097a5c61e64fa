/** Does narrowing a connection to a site leave the way in which its questions are answered as it is? */
import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { narrowToSite } from "../../src/store/narrowed.ts";
import { openReader, openStore, type Store } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { airView } from "../../src/views/air.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { joinsView } from "../../src/views/joins.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { receptionPage } from "../../src/views/receptions.ts";
import { reportData } from "../../src/views/report.ts";
import { keepalives, record, windowOf } from "../views/a-site.ts";
import { phy, push, SHED, TOWER } from "./traffic.ts";

let folder = "";
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-narrowed-"));
  const db = openStore(join(folder, "site.db"));
  record(db, [
    ...keepalives(SHED, 0, 600),
    ...keepalives(TOWER, 0, 600),
    ...Array.from({ length: 20 }, (_, i) =>
      push(SHED, 5 + i * 30, [{ payload: phy("01000001", i) }], 500 + i),
    ),
  ]);
  writeLabel(db, { kind: "gateway", id: SHED, site: "Fennick Orchard" });
  db.close();
});
afterAll(() => rmSync(folder, { recursive: true }));

/** Every query of the views, with how SQLite goes about it. */
function plansOf(store: Store): ReadonlyMap<string, string[]> {
  const plans = new Map<string, string[]>();
  const prepare = store.prepare.bind(store);
  store.prepare = ((sql: string) => {
    if (/^\s*(SELECT|WITH)\b/.test(sql)) {
      const explained = prepare(`EXPLAIN QUERY PLAN ${sql.replace(/\?/g, "1").replace(/@\w+/g, "1")}`);
      plans.set(
        sql,
        (explained.all() as { detail: string }[]).map(({ detail }) => detail),
      );
    }
    return prepare(sql);
  }) as Store["prepare"];
  for (const window of [windowOf(0, 600, true), windowOf(60, 300)]) {
    reportData(store, { window, timeZone: "UTC", version: "0", madeAt: "2026-03-14T12:00:00.000Z" });
    for (const view of [gapsView, joinsView]) view(store, window);
    airView(store, window);
    nodePage(store, window, "01000001", 1);
    receptionPage(store, { window, limit: 50 });
  }
  store.close();
  return plans;
}

const sorts = (plan: readonly string[]) => plan.filter((step) => step.startsWith("USE TEMP B-TREE")).length;

describe("a connection narrowed to a site", () => {
  it("makes no copy of a table, and sorts nothing that is else read in order", () => {
    const plain = plansOf(openReader(join(folder, "site.db")));
    const store = openReader(join(folder, "site.db"));
    narrowToSite(store, "Fennick Orchard");
    const narrowed = plansOf(store);
    expect(narrowed.size).toBeGreaterThan(60);
    for (const [sql, plan] of narrowed) {
      expect(
        plan.filter((step) => step.startsWith("MATERIALIZE")),
        sql,
      ).toEqual([]);
      const before = plain.get(sql);
      if (before !== undefined) expect(sorts(plan), sql).toBeLessThanOrEqual(sorts(before));
    }
  });

  it("knows every index that a question names", () => {
    const store = openReader(join(folder, "site.db"));
    narrowToSite(store, "Fennick Orchard");
    const known = store.prepare("SELECT name FROM temp.sqlite_schema WHERE type = 'view'").pluck().all();
    const sources = new URL("../../src/store/", import.meta.url);
    const files = [
      ...readdirSync(new URL("queries/", sources)).map((file) => `queries/${file}`),
      ...["gap-context", "context-cache", "find-successor", "gaps-as-known", "outages"].map(
        (name) => `gaps/${name}.ts`,
      ),
      "rebuilt/rows.ts",
      "recorded-time.ts",
    ];
    const named = files.flatMap((file) => [
      ...readFileSync(new URL(file, sources), "utf8").matchAll(/INDEXED BY (\w+)/g),
    ]);
    expect(named.length).toBeGreaterThan(15);
    for (const [, index] of named) expect(known).toContain(index);
    store.close();
  });
});
