/** How is the store opened? WAL, foreign threads welcome as readers, one writer; the schema is that of upgrade.ts. */

import { accessSync, chmodSync, closeSync, constants, existsSync, openSync, statSync } from "node:fs";
import { dirname, resolve } from "node:path";
import Database from "better-sqlite3";
import { errorCode, errorText } from "../model/fault.ts";
import { assertSound, describeStoreError, StoreUnusable } from "./store-error.ts";
import { migrate, newestVersion, type OnUpgrade, schemaVersion, toStderr } from "./upgrade.ts";

export type Store = Database.Database;

/** Milliseconds that a connection waits for another's lock. Chosen: longer than any transaction of ours. */
const BUSY_TIMEOUT_MS = 5_000;

/** Pages that the writer finds in memory. Chosen: the newest leaves of every table and index of a large store. */
const WRITER_CACHE_KB = 32_000;
/** A reader's; there are several at once. Chosen: a month's answer costs hardly more than with four times as much. */
const READER_CACHE_KB = 8_000;

/**
 * Octets of a page of a new store. A datagram changes some fourteen pages, each of which is written whole: a quarter of
 * SQLite's usual page is a quarter of what wears an SD card (figures in DEVELOPERS.md). Stores of before keep theirs.
 */
const PAGE_SIZE = 1_024;
/** The log of changes is merged when it holds so much: larger merges cost fewer in all, but each holds up the answers longer. */
const MERGED_BYTES = 8_192_000;
/**
 * While questions follow one another without a pause nothing of the log can be written anew, and it grows: 110 MB in a
 * minute of 200 datagrams a second. Once it can, its file is cut to this. Chosen: what a busy service needs stays.
 */
const KEPT_LOG_BYTES = 4 * MERGED_BYTES;

/**
 * Opens (and where it is missing creates) the store for writing, migrated. `path` may be ":memory:" in tests. `onUpgrade`
 * hears of the migration of an earlier version's store, of which a copy is kept.
 */
export function openStore(path: string, onUpgrade: OnUpgrade = toStderr): Store {
  return path === IN_MEMORY ? openInMemory(onUpgrade) : openMigrated(path, onUpgrade);
}

const IN_MEMORY = ":memory:";
/** An empty store of the newest schema: migrating takes 16 ms, and evaluations and tests open thousands in memory. */
let emptyStore: Buffer | undefined;

function openInMemory(onUpgrade: OnUpgrade): Store {
  if (emptyStore === undefined) {
    const first = openMigrated(IN_MEMORY, onUpgrade);
    emptyStore = first.serialize();
    first.close();
  }
  const db = new Database(emptyStore, { timeout: BUSY_TIMEOUT_MS });
  db.pragma(`cache_size = -${WRITER_CACHE_KB}`);
  db.pragma("journal_mode = MEMORY");
  db.pragma("foreign_keys = ON");
  return db;
}

function openMigrated(path: string, onUpgrade: OnUpgrade): Store {
  const db = open(path, false);
  assertSound(db, path);
  if (schemaVersion(db) === 0) {
    // Only a file without a table takes these.
    db.pragma(`page_size = ${PAGE_SIZE}`);
    // Pages that become free can be given back to the file system.
    db.pragma("auto_vacuum = INCREMENTAL");
  }
  db.pragma("journal_mode = WAL");
  // FULL: an acknowledged datagram survives a power cut, not only a killed process.
  db.pragma("synchronous = FULL");
  db.pragma("foreign_keys = ON");
  const pageSize = Number(db.pragma("page_size", { simple: true }));
  db.pragma(`wal_autocheckpoint = ${Math.round(MERGED_BYTES / pageSize)}`);
  db.pragma(`journal_size_limit = ${KEPT_LOG_BYTES}`);
  migrate(db, path, onUpgrade);
  return db;
}

/**
 * Commits no longer wait for the disk; merging the log of changes still does, and so does closing. A power cut may take
 * the newest commits, whole ones only: for what can be read again from its file.
 */
export function deferSyncs(db: Store): void {
  db.pragma("synchronous = NORMAL");
}

/** Milliseconds that closing waits for readers. Chosen: most answers take less, and the end of a service is bounded. */
const CLOSING_TIMEOUT_MS = 1_500;

/**
 * Closes a writing connection. First merges the log of changes (`-wal`) into the file, so that the file holds
 * everything even while another program still reads. Returns a sentence when a part stayed in the log, else null.
 */
export function closeStore(db: Store): string | null {
  let isWhole = false;
  try {
    db.pragma(`busy_timeout = ${CLOSING_TIMEOUT_MS}`);
    const [outcome] = db.pragma("wal_checkpoint(TRUNCATE)") as { busy: number }[];
    isWhole = outcome?.busy === 0;
  } catch {
    // A full disk, say: nothing is lost, the log stays and is merged by whoever opens the store next.
  }
  const { name } = db;
  db.close();
  if (isWhole) return null;
  return `The newest data are still in ${name}-wal: another program reads the store, or the disk is full. Keep both files together.`;
}

/** Opens an existing store for reading, whichever program version wrote it; only for copying it whole. */
export function openAnyVersion(path: string): Store {
  return open(path, true);
}

/** Opens an existing store for reading only; it may be written to by another connection meanwhile. */
export function openReader(path: string): Store {
  const db = openAnyVersion(path);
  const version = schemaVersion(db);
  if (version !== newestVersion()) {
    db.close();
    throw new StoreUnusable(
      `${path} holds schema ${version}, this program reads ${newestVersion()}.`,
      "Open it once with 'mastlog listen' or 'mastlog import' of this version.",
    );
  }
  return db;
}

/** Which file lay at a store's path when it was opened. Plain data: it may be sent to another thread. */
export interface StoreFile {
  readonly path: string;
  readonly device: bigint;
  readonly inode: bigint;
}

/** The file of a connection that was opened just now. */
export function storeFile(store: Store): StoreFile {
  const { dev, ino } = statSync(store.name, { bigint: true });
  return { path: store.name, device: dev, inode: ino };
}

/**
 * Opens one more reading connection to a store in use. Throws StoreUnusable while another or no file lies at its path:
 * a log of changes beside it belongs to the file that was opened first, and would be taken for the other's.
 */
export function openFurtherReader({ path, device, inode }: StoreFile): Store {
  const found = statSync(path, { bigint: true, throwIfNoEntry: false });
  if (found?.dev !== device || found.ino !== inode)
    throw new StoreUnusable(
      `The store ${path} was moved, deleted or replaced.`,
      "Put it back, or start Mastlog again.",
    );
  return openReader(path);
}

function open(path: string, readonly: boolean): Store {
  if (readonly && !existsSync(path))
    throw new StoreUnusable(
      `There is no store ${resolve(path)}.`,
      "Name another file with --db, or make one: 'mastlog listen' hears gateways, 'mastlog import' reads captures.",
    );
  let db: Store | undefined;
  try {
    refuseCutToNothing(path);
    if (!readonly && path !== IN_MEMORY) createForOwner(path);
    db = new Database(path, {
      // A connection opened read-only leaves `-wal` and `-shm` behind when it closes last (tried: SQLite 3.53). So a
      // reader opens for writing where it may, and is forbidden to write.
      readonly: readonly && !isWritable(path),
      fileMustExist: readonly,
      timeout: BUSY_TIMEOUT_MS,
    });
    if (readonly) db.pragma("query_only = ON");
    db.pragma(`cache_size = -${readonly ? READER_CACHE_KB : WRITER_CACHE_KB}`);
    // Touches the file, so that a text file by this name fails here and not later.
    db.prepare("SELECT count(*) FROM sqlite_schema").get();
    return db;
  } catch (error) {
    db?.close();
    const described = describeStoreError(error, path);
    if (described !== null && !/^SQLITE_(CANTOPEN|IOERR|READONLY)/.test(errorCode(error))) throw described;
    const reason = errorText(error);
    // Node's code and words for a compiled library of another version, or none (src/node_binding.cc, bindings.js).
    if (errorCode(error) === "ERR_DLOPEN_FAILED" || reason.startsWith("Could not locate the bindings file"))
      throw new StoreUnusable(
        `SQLite cannot be loaded by Node ${process.version}: ${reason.replace(/\s+/g, " ").trim()}`,
        "Run 'npm rebuild better-sqlite3' in the folder that holds Mastlog's node_modules.",
      );
    throw new StoreUnusable(
      `The store ${path} cannot be opened: ${reason}.`,
      "Name another file with --db, or check that the folder exists and is writable.",
    );
  }
}

/** SQLite begins an empty file anew and deletes its log of changes, which may hold all there was. */
function refuseCutToNothing(path: string): void {
  const size = (file: string) => statSync(file, { throwIfNoEntry: false })?.size ?? null;
  if (size(path) !== 0 || (size(`${path}-wal`) ?? 0) === 0) return;
  throw new StoreUnusable(
    `The store ${path} is damaged: the file is empty, but its log of changes ${path}-wal is not.`,
    "It is left untouched. Put the file back from a backup.",
  );
}

/** SQLite writes the file and, beside it, the log of changes. */
function isWritable(path: string): boolean {
  try {
    accessSync(path, constants.W_OK);
    accessSync(dirname(path), constants.W_OK);
    return true;
  } catch {
    return false;
  }
}

/** Read and write for the owner, nothing for others. */
const OWNER_ONLY = 0o600;

/**
 * The store may hold keys, and always holds a site's comings and goings: a new file is its owner's only. SQLite gives
 * `-wal` and `-shm` the mode of the file itself ("the same file permissions", sqlite.org/src os_unix.c, from memory).
 */
export function createForOwner(path: string): void {
  if (existsSync(path)) return;
  closeSync(openSync(path, "a", OWNER_ONLY));
}

/** Takes a store's files from everybody but their owner; for the moment when keys come into an older file. */
export function restrictToOwner(db: Store): void {
  if (db.memory) return;
  for (const file of [db.name, `${db.name}-wal`, `${db.name}-shm`]) {
    if (existsSync(file)) chmodSync(file, OWNER_ONLY);
  }
}
