import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { DuckDBInstance } from "@duckdb/node-api";
import { expect, it, onTestFinished } from "vitest";
import { exportCommand } from "../../src/commands/export.ts";
import { openStore } from "../../src/store/open.ts";
import { writeLabel, writeSiteName } from "../../src/store/user-data.ts";
import { run } from "../commands/run-command.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { record } from "../views/a-site.ts";

const WEEK_S = 7 * 86_400;

/** The query that the README gives, as it stands there. */
function queryOfReadme(): string {
  const readme = readFileSync(new URL("../../README.md", import.meta.url), "utf8");
  const [, query] = /```sql\n([\s\S]*?)```/.exec(readme) ?? [];
  if (query === undefined) throw new Error("The README has no query.");
  return query;
}

/** What the README's query says of a folder tree: site, week, loss in percent. */
async function lossBySite(folder: string): Promise<unknown[]> {
  const connection = await (await DuckDBInstance.create()).connect();
  const rows = await connection.runAndReadAll(queryOfReadme().replace("sites/", `${folder}/`));
  connection.closeSync();
  return rows
    .getRowObjectsJson()
    .map(({ site, week, lossPercent }) => [site, String(week).slice(0, 10), lossPercent]);
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
  expect(await lossBySite(join(folder, "sites"))).toEqual([
    ["Fennick Orchard", "2026-03-09", 10],
    ["Fennick Orchard", "2026-03-16", 0],
    ["Mill/Lower", "2026-03-09", 20],
    ["Mill/Lower", "2026-03-16", 0],
    ["Quarry", "2026-03-09", 0],
    ["Quarry", "2026-03-16", 0],
  ]);
});

it("one store of three sites goes into their folders, and into the same answer of the README's query", async () => {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-sites-"));
  onTestFinished(() => rmSync(folder, { recursive: true }));
  const db = join(folder, "collector.db");
  const store = openStore(db);
  // As above: of ten counters so many are lost in the first week; each site has a gateway and a node of its own.
  const sites = [
    { site: "Fennick Orchard", eui: SHED, devAddr: "01A2B3C4", lost: 1 },
    { site: "Mill/Lower", eui: TOWER, devAddr: "01A2B3C5", lost: 2 },
    { site: null, eui: "02005E1000000003", devAddr: "01A2B3C6", lost: 0 },
  ];
  record(
    store,
    sites.flatMap(({ eui, devAddr, lost }, place) =>
      [0, ...Array.from({ length: 19 - lost }, (_, i) => 1 + lost + i)].map((n) =>
        push(eui, (n < 10 ? n * 600 : WEEK_S + (n - 10) * 600) + place, [{ payload: phy(devAddr, n) }], n),
      ),
    ),
  );
  for (const { eui: id, site } of sites) writeLabel(store, { kind: "gateway", id, site });
  writeSiteName(store, "Quarry");
  store.close();
  const out = join(folder, "sites");
  const words = ["--what", "frames", "--format", "parquet", "--db", db, "--overwrite"];
  expect((await run(exportCommand(), ...words, "-o", out)).exitCode).toBe(0);
  expect(readdirSync(out)).toEqual(["site=Fennick%20Orchard", "site=Mill%2FLower", "site=Quarry"]);
  expect(await lossBySite(out)).toEqual([
    ["Fennick Orchard", "2026-03-09", 10],
    ["Fennick Orchard", "2026-03-16", 0],
    ["Mill/Lower", "2026-03-09", 20],
    ["Mill/Lower", "2026-03-16", 0],
    ["Quarry", "2026-03-09", 0],
    ["Quarry", "2026-03-16", 0],
  ]);
  const one = join(folder, "one");
  expect((await run(exportCommand(), ...words, "-o", one, "--site", "Mill/Lower")).exitCode).toBe(0);
  expect(readdirSync(one)).toEqual(["site=Mill%2FLower"]);
  const unknown = await run(exportCommand(), ...words, "-o", one, "--site", "Mill");
  expect([unknown.exitCode, unknown.err]).toEqual([
    2,
    'No gateway belongs to a site "Mill". The sites are Fennick Orchard, Mill/Lower.\n',
  ]);
});
