import {
  copyFileSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  truncateSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import Database from "better-sqlite3";
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest";
import { backupStore } from "../../src/store/backup.ts";
import { addKeys } from "../../src/store/keys.ts";
import { openReader, openStore, type Store } from "../../src/store/open.ts";
import { rescueStore } from "../../src/store/rescue.ts";
import { ServiceClaim } from "../../src/store/service-claim.ts";
import { record } from "../views/a-site.ts";
import { phy, push, SHED } from "./traffic.ts";

const FRAMES = 1_200;
const PAGE = 1_024;
const KEY = Uint8Array.from({ length: 16 }, (_, i) => 0xc0 + i);

let folder: string;
let path: string;
let copy: string;
let filled: string;
beforeAll(() => {
  filled = join(mkdtempSync(join(tmpdir(), "mastlog-backup-")), "filled.db");
  const db = openStore(filled);
  fill(db);
  db.close();
}, 60_000);
afterAll(() => rmSync(dirname(filled), { recursive: true }));
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-backup-"));
  path = join(folder, "site.db");
  copy = join(folder, "copy.db");
});
afterEach(() => rmSync(folder, { recursive: true }));

function fill(db: Store, from = 0, to = FRAMES): void {
  record(
    db,
    Array.from({ length: to - from }, (_, i) =>
      push(SHED, from + i, [{ payload: phy("01A2B3C4", from + i) }]),
    ),
  );
}

function numberIn(file: string, sql: string): number {
  const db = new Database(file, { readonly: true });
  try {
    return Number(db.prepare(sql).pluck().get());
  } finally {
    db.close();
  }
}

const options = { overwrite: false, withoutKeys: false, onProgress: () => undefined };
const rescueOptions = { overwrite: false, judge: null, onProgress: () => undefined };

describe("a backup", () => {
  it("is one consistent state although another connection writes between its parts", async () => {
    copyFileSync(filled, path);
    const db = openStore(path);
    const before = Number(db.prepare("SELECT count(*) FROM reception").pluck().get());
    let written = 0;
    const result = await backupStore(path, copy, {
      ...options,
      onProgress: () => {
        // A backup that began anew at each commit would not end.
        if (written < 40) fill(db, FRAMES + written, FRAMES + ++written);
      },
    });
    expect(written).toBeGreaterThan(0);
    expect(result.receptions).toBe(before);
    expect(numberIn(copy, "SELECT count(*) FROM reception")).toBe(before);
    db.close();
  });

  it("is one file that only its owner can read, and opens as a store", async () => {
    const db = openStore(path);
    fill(db, 0, 50);
    await backupStore(path, copy, options);
    expect(statSync(copy).mode & 0o777).toBe(0o600);
    expect(readdirSync(folder).filter((name) => name.startsWith("copy"))).toEqual(["copy.db"]);
    openReader(copy).close();
    openStore(copy).close();
    expect(readdirSync(folder).filter((name) => name.startsWith("copy"))).toEqual(["copy.db"]);
    db.close();
  });

  it("replaces no file unless asked, and never the store itself", async () => {
    openStore(path).close();
    writeFileSync(copy, "notes");
    await expect(backupStore(path, copy, options)).rejects.toThrow("is there already");
    expect(readFileSync(copy, "utf8")).toBe("notes");
    await expect(backupStore(path, path, { ...options, overwrite: true })).rejects.toThrow(
      "the store itself",
    );
    await backupStore(path, copy, { ...options, overwrite: true });
    expect(numberIn(copy, "SELECT count(*) FROM reception")).toBe(0);
  });

  it("holds the keys, or without them not one octet of them", async () => {
    const db = openStore(path);
    const nwkSKey = { nwkSKey: KEY };
    addKeys(db, [{ devAddr: "01A2B3C4", devEui: null, counterBits: 32, note: null, keys: nwkSKey }]);
    expect((await backupStore(path, copy, options)).keySets).toBe(1);
    expect(readFileSync(copy).includes(Buffer.from(KEY))).toBe(true);
    const bare = join(folder, "bare.db");
    expect((await backupStore(path, bare, { ...options, withoutKeys: true })).keySets).toBe(0);
    expect(readFileSync(bare).includes(Buffer.from(KEY))).toBe(false);
    db.close();
  });

  it("does not carry the claim of the running service", async () => {
    const db = openStore(path);
    await ServiceClaim.take(db);
    await backupStore(path, copy, options);
    expect(numberIn(path, "SELECT count(*) FROM setting WHERE key = 'service'")).toBe(1);
    expect(numberIn(copy, "SELECT count(*) FROM setting WHERE key = 'service'")).toBe(0);
    db.close();
  });

  it("that is stopped, or of a damaged store, leaves nothing", async () => {
    copyFileSync(filled, path);
    const stop = () => {
      throw new Error("stopped");
    };
    await expect(backupStore(path, copy, { ...options, onProgress: stop })).rejects.toThrow("stopped");
    damage((file) => file.fill(0, leafOf("reception") * PAGE, (leafOf("reception") + 1) * PAGE));
    await expect(backupStore(path, copy, options)).rejects.toThrow("is damaged");
    expect(readdirSync(folder)).toEqual(["site.db"]);
  });
});

/** Number (from 0) of a page in the middle of a table, by SQLite's own account of its pages. */
function leafOf(table: string): number {
  const root = numberIn(path, `SELECT rootpage FROM sqlite_schema WHERE name = '${table}'`);
  const file = readFileSync(path);
  const at = (root - 1) * PAGE;
  expect(file[at]).toBe(0x05);
  // Interior page of a table: 12 octets of head, then where its cells are; a cell begins with its child's number.
  const cells = file.readUInt16BE(at + 3);
  const cell = file.readUInt16BE(at + 12 + 2 * Math.floor(cells / 2));
  return file.readUInt32BE(at + cell) - 1;
}

function damage(how: (file: Buffer) => void): Buffer {
  const file = readFileSync(path);
  how(file);
  writeFileSync(path, file);
  return file;
}

describe("a rescue", () => {
  beforeEach(() => copyFileSync(filled, path));

  const rescued = async () => {
    const damaged = readFileSync(path);
    const result = await rescueStore(path, copy, rescueOptions);
    expect(readFileSync(path).equals(damaged)).toBe(true);
    expect(readdirSync(folder).sort()).toEqual(["copy.db", "site.db"]);
    expect(numberIn(copy, "SELECT count(*) FROM reception")).toBe(result.receptions);
    const db = new Database(copy, { readonly: true });
    expect(db.pragma("integrity_check", { simple: true })).toBe("ok");
    db.close();
    return result;
  };

  it("of a store whose header is zeroed brings everything", async () => {
    damage((file) => file.fill(0, 0, 100));
    expect(() => openStore(path)).toThrow("is damaged");
    const { receptions, tables } = await rescued();
    expect(receptions).toBe(FRAMES);
    expect(tables.every(({ holes }) => holes === 0)).toBe(true);
    expect(numberIn(copy, "SELECT heard FROM life")).toBe(FRAMES);
  });

  it("of a store with a zeroed page loses the rows of that page and no others", async () => {
    const leaf = leafOf("reception");
    // Cells of a table's leaf: their number stands in octets 3 and 4 of the page.
    const rows = readFileSync(path).readUInt16BE(leaf * PAGE + 3);
    damage((file) => file.fill(0, leaf * PAGE, (leaf + 1) * PAGE));
    expect(() => openStore(path)).toThrow("is damaged");
    const { receptions, tables } = await rescued();
    expect(rows).toBeGreaterThan(5);
    expect(receptions).toBe(FRAMES - rows);
    expect(tables.find(({ name }) => name === "reception")?.holes).toBe(1);
    expect(numberIn(copy, "SELECT count(DISTINCT counter) FROM frame")).toBe(FRAMES - rows);
  });

  it("of a store whose tail is cut brings what lies before the cut", async () => {
    truncateSync(path, Math.floor(statSync(path).size * 0.6));
    expect(() => openStore(path)).toThrow("is damaged");
    const { receptions, tables } = await rescued();
    expect(receptions).toBeGreaterThan(FRAMES / 6);
    expect(receptions).toBeLessThan(FRAMES);
    expect(tables.some(({ holes }) => holes > 0)).toBe(true);
  });

  it("of a store from which receptions were removed says by which rule", async () => {
    const db = openStore(path);
    const newestUs = db.prepare("SELECT max(at_us) FROM reception").pluck().get();
    db.prepare("UPDATE removal SET removed_to_us = ?, swept_to_us = ?, rule = '90 days'").run(
      newestUs,
      newestUs,
    );
    db.close();
    damage((file) => file.fill(0, 0, 100));
    const { removed } = await rescueStore(path, copy, rescueOptions);
    expect(removed).toEqual({ beforeUs: newestUs, rule: "90 days" });
    expect(numberIn(copy, "SELECT count(*) FROM reception")).toBe(1);
  });

  it("of a file that is no store makes none", async () => {
    writeFileSync(path, "the pump is at the pond\n".repeat(1_000));
    await expect(rescueStore(path, copy, rescueOptions)).rejects.toThrow("no Mastlog store");
    expect(readdirSync(folder)).toEqual(["site.db"]);
  });
});

describe("a damaged store", () => {
  it("that was cut to nothing while its log is still there is not begun anew", () => {
    const db = openStore(path);
    fill(db, 0, 50);
    const log = readFileSync(`${path}-wal`);
    db.close();
    truncateSync(path, 0);
    writeFileSync(`${path}-wal`, log);
    expect(() => openStore(path)).toThrow("is damaged");
    expect(readFileSync(`${path}-wal`).equals(log)).toBe(true);
  });

  it("is not changed by any attempt to open it", () => {
    openStore(path).close();
    const damaged = damage((file) => file.fill(0, 0, 16));
    for (const open of [openStore, openReader]) expect(() => open(path)).toThrow(/is damaged|backup/);
    expect(readFileSync(path).equals(damaged)).toBe(true);
    expect(readdirSync(folder)).toEqual(["site.db"]);
  });
});
