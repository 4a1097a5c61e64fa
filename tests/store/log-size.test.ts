/** What becomes of the log of changes that a long reading let grow? */
import { mkdtempSync, rmSync, statSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { expect, it } from "vitest";
import { openReader, openStore } from "../../src/store/open.ts";

it("cuts the log of changes to a few merges once the reader is gone that let it grow", () => {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-log-"));
  const path = join(folder, "site.db");
  const db = openStore(path);
  try {
    db.pragma("synchronous = OFF");
    db.exec("CREATE TABLE filler (octets BLOB)");
    const fill = (octets: number) => db.prepare("INSERT INTO filler VALUES (zeroblob(?))").run(octets);
    const reader = openReader(path);
    reader.exec("BEGIN");
    reader.prepare("SELECT count(*) FROM filler").get();
    for (let i = 0; i < 6; i++) fill(8_000_000);
    expect(statSync(`${path}-wal`).size).toBeGreaterThan(45_000_000);
    reader.exec("COMMIT");
    reader.close();
    // The first commit after it merges the log, the next begins it anew.
    fill(1_000);
    fill(1_000);
    expect(statSync(`${path}-wal`).size).toBe(32_768_000);
  } finally {
    db.close();
    rmSync(folder, { recursive: true });
  }
});
