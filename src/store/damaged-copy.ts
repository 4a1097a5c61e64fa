/** How is a damaged store opened? As a working copy, whose header is mended so far that SQLite opens it. */
import {
  closeSync,
  copyFileSync,
  existsSync,
  fstatSync,
  ftruncateSync,
  openSync,
  readSync,
  writeSync,
} from "node:fs";
import Database from "better-sqlite3";
import { createForOwner, type Store } from "./open.ts";
import { isSqliteError, StoreUnusable } from "./store-error.ts";
import { newestVersion } from "./upgrade.ts";

/** A working copy that SQLite opens. */
export function openDamaged(path: string, work: string): Store {
  createForOwner(work);
  copyFileSync(path, work);
  if (existsSync(`${path}-wal`)) copyFileSync(`${path}-wal`, `${work}-wal`);
  mendHeader(work);
  try {
    const source = new Database(work, { fileMustExist: true });
    // Tolerates entries of the schema that make no sense.
    source.pragma("writable_schema = ON");
    source.defaultSafeIntegers(true);
    const names = source.prepare("SELECT name FROM sqlite_schema WHERE type = 'table'").pluck().all();
    if (names.includes("reception")) return source;
    source.close();
  } catch (error) {
    if (!isSqliteError(error)) throw error;
  }
  throw new StoreUnusable(
    `${path} is no Mastlog store, or its list of tables is lost.`,
    `The sqlite3 tool may still find rows: sqlite3 ${path} .recover | sqlite3 NEW.db, then 'mastlog rebuild --db NEW.db'.`,
  );
}

const MAGIC = Buffer.from("SQLite format 3\0", "latin1");
/** Sizes of pages that stores of ours have: of today's version, and SQLite's usual one of earlier ones. */
const PAGE_SIZES = { small: 1_024, usual: 4_096 };
/** First octet of a page of a table or an index: sqlite.org/fileformat2.html, section 1.6. */
const PAGE_KINDS: ReadonlySet<number> = new Set([2, 5, 10, 13]);
/** Places looked at to tell the size of pages. Chosen. */
const MAX_PLACES = 400;

/** The size of pages of a file without its header: of small ones, most begin between those of the usual size. */
function pageSizeOf(file: number): number {
  const octet = Buffer.alloc(1);
  let looked = 0;
  let begun = 0;
  const places = Math.min(MAX_PLACES, Math.floor(fstatSync(file).size / PAGE_SIZES.small));
  for (let place = 1; place < places; place++) {
    const at = place * PAGE_SIZES.small;
    if (at % PAGE_SIZES.usual === 0) continue;
    readSync(file, octet, 0, 1, at);
    looked += 1;
    if (PAGE_KINDS.has(octet[0] ?? 0)) begun += 1;
  }
  return begun > looked / 2 ? PAGE_SIZES.small : PAGE_SIZES.usual;
}

/**
 * Writes a header where there is none any more, and makes the length that the header states fit a file that was cut.
 * Fields after sqlite.org/fileformat2.html, section 1.3 "The Database Header".
 */
function mendHeader(work: string): void {
  const file = openSync(work, "r+");
  try {
    const header = Buffer.alloc(100);
    readSync(file, header, 0, 100, 0);
    const isLost = !header.subarray(0, 16).equals(MAGIC);
    if (isLost) {
      header.fill(0);
      MAGIC.copy(header);
      header.writeUInt16BE(pageSizeOf(file), 16);
      header.set([2, 2, 0, 64, 32, 32], 18);
      header.writeUInt32BE(1, 40);
      header.writeUInt32BE(4, 44);
      header.writeUInt32BE(1, 56);
      header.writeUInt32BE(newestVersion(), 60);
    }
    const stated = header.readUInt16BE(16);
    const pageSize = stated === 1 ? 65_536 : stated;
    if (pageSize < 512) return;
    const pages = Math.floor(fstatSync(file).size / pageSize);
    if (!isLost && header.readUInt32BE(28) <= pages) return;
    ftruncateSync(file, pages * pageSize);
    header.writeUInt32BE(pages, 28);
    // The list of free pages may lie in what is gone.
    header.writeUInt32BE(0, 32);
    header.writeUInt32BE(0, 36);
    // "The in-header size is only valid if the change counter equals version-valid-for."
    header.writeUInt32BE(header.readUInt32BE(24), 92);
    writeSync(file, header, 0, 100, 0);
  } finally {
    closeSync(file);
  }
}
