import { copyFileSync, mkdtempSync, readdirSync, renameSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it, onTestFinished } from "vitest";
import { deferSyncs, openFurtherReader, openReader, openStore, storeFile } from "../../src/store/open.ts";
import { StoreUnusable } from "../../src/store/store-error.ts";

/** A store in use, and one more reading connection asked for. */
function storeInUse() {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-further-"));
  const path = join(folder, "site.db");
  const writer = openStore(path);
  const reader = openReader(path);
  const file = storeFile(reader);
  onTestFinished(() => {
    reader.close();
    writer.close();
    rmSync(folder, { recursive: true, force: true });
  });
  return { folder, path, writer, file };
}

describe("one more reading connection to a store in use", () => {
  it("reads what the writer has committed, and may not write", () => {
    const { writer, file } = storeInUse();
    writer.exec("INSERT INTO setting (key, value) VALUES ('site-name', 'Fennick Orchard')");
    const further = openFurtherReader(file);
    expect(further.prepare("SELECT value FROM setting WHERE key = 'site-name'").pluck().get()).toBe(
      "Fennick Orchard",
    );
    expect(() => further.exec("DELETE FROM setting")).toThrow(/readonly|read-only/);
    further.close();
  });

  it("is refused while the store is moved away, and leaves nothing at its place", () => {
    const { folder, path, file } = storeInUse();
    renameSync(path, join(folder, "moved.db"));
    expect(() => openFurtherReader(file)).toThrow(StoreUnusable);
    expect(readdirSync(folder)).not.toContain("site.db");
  });

  it("is refused while another file lies in its place", () => {
    const { folder, path, file } = storeInUse();
    renameSync(path, join(folder, "moved.db"));
    copyFileSync(join(folder, "moved.db"), path);
    expect(() => openFurtherReader(file)).toThrow("was moved, deleted or replaced");
  });
});

describe("a store that is written to", () => {
  it("waits for the disk with each commit, unless what is written can be read again from its file", () => {
    const { writer } = storeInUse();
    const synchronous = () => writer.pragma("synchronous", { simple: true });
    // 2 is FULL, 1 is NORMAL: https://www.sqlite.org/pragma.html#pragma_synchronous
    expect(synchronous()).toBe(2);
    deferSyncs(writer);
    expect(synchronous()).toBe(1);
  });
});
