import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { DuckDBInstance } from "@duckdb/node-api";
import { expect, it, onTestFinished } from "vitest";
import { exportCommand } from "../../src/commands/export.ts";
import { openStore } from "../../src/store/open.ts";
import { writeSiteName } from "../../src/store/user-data.ts";
import { run } from "../commands/run-command.ts";
import { phy, push, SHED } from "../store/traffic.ts";
import { record } from "../views/a-site.ts";

const WEEK_S = 7 * 86_400;

/** The query that the README gives, as it stands there. */
function queryOfReadme(): string {
  const readme = readFileSync(new URL("../../README.md", import.meta.url), "utf8");
  const [, query] = /```sql\n([\s\S]*?)```/.exec(readme) ?? [];
  if (query === undefined) throw new Error("The README has no query.");
  return query;
}

it("folders of three sites are one table: the README's query gives loss by site and week", async () => {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-sites-"));
  onTestFinished(() => rmSync(folder, { recursive: true }));
  // Of ten counters in the first week so many are lost; in the second week, of ten more, none.
  for (const [name, lost] of [
    ["Fennick Orchard", 1],
    ["Mill/Lower", 2],
    ["Quarry", 0],
  ] as const) {
    const db = join(folder, `${lost}.db`);
    const store = openStore(db);
    const heard = [0, ...Array.from({ length: 9 - lost }, (_, i) => 1 + lost + i)];
    record(store, [
      ...heard.map((n) => push(SHED, n * 600, [{ payload: phy("01A2B3C4", n) }], n)),
      ...Array.from({ length: 10 }, (_, i) =>
        push(SHED, WEEK_S + i * 600, [{ payload: phy("01A2B3C4", 10 + i) }], i),
      ),
    ]);
    writeSiteName(store, name);
    store.close();
    const words = ["--what", "frames", "--format", "parquet", "-o", join(folder, "sites"), "--db", db];
    expect((await run(exportCommand(), ...words)).exitCode).toBe(0);
  }
  const connection = await (await DuckDBInstance.create()).connect();
  const query = queryOfReadme().replace("sites/", `${join(folder, "sites")}/`);
  const rows = (await connection.runAndReadAll(query)).getRowObjectsJson();
  connection.closeSync();
  expect(rows.map(({ site, week, lossPercent }) => [site, String(week).slice(0, 10), lossPercent])).toEqual([
    ["Fennick Orchard", "2026-03-09", 10],
    ["Fennick Orchard", "2026-03-16", 0],
    ["Mill/Lower", "2026-03-09", 20],
    ["Mill/Lower", "2026-03-16", 0],
    ["Quarry", "2026-03-09", 0],
    ["Quarry", "2026-03-16", 0],
  ]);
});
