/**
 * How does a store get the newest schema? From `migrations/` by number over `PRAGMA user_version`, one transaction a
 * step, forward only. Before that a copy of an earlier version's store is kept beside it, so that the program of before
 * can be used again, and a person hears how long it will take. A new store needs neither.
 */

import {
  chmodSync,
  constants,
  copyFileSync,
  existsSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  statfsSync,
  statSync,
} from "node:fs";
import { basename, dirname, join, resolve } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import type Database from "better-sqlite3";
import { errorText } from "../model/fault.ts";
import { plainLine } from "../model/text.ts";
import { duration, fileSize } from "../words/format.ts";
import { StoreUnusable } from "./store-error.ts";

// Where is this package's folder? Found upwards, since the code runs from `src/` and from `dist/`.

function findRoot(): URL {
  let folder = dirname(fileURLToPath(import.meta.url));
  while (!existsSync(join(folder, "migrations"))) {
    const parent = dirname(folder);
    if (parent === folder) throw new Error("The folder 'migrations' is missing from this installation.");
    folder = parent;
  }
  return pathToFileURL(`${folder}/`);
}

/** Folder of package.json, migrations and sample-captures, with a trailing slash. */
export const packageRoot: URL = findRoot();

const MIGRATIONS = new URL("migrations/", packageRoot);

/** Hears sentences on an upgrade; by default they are written to stderr. */
export type OnUpgrade = (sentence: string) => void;

export const toStderr: OnUpgrade = (sentence) => {
  process.stderr.write(`${plainLine(sentence)}\n`);
};

/** Stores up to this size are brought up to date within a second or two: one sentence will do. */
const SMALL_BYTES = 64_000_000;
/** Octets brought up to date in a second. Measured: 1.5 million receptions, 344 MB, from schema 12 to 24 in 7.3 s, 377 MB from there to 28 in 7 s. */
const BYTES_A_SECOND = 24_000_000;
/** Room that the upgrade itself takes on the disk beside the copy, as a share of the store. Chosen: new indexes, the log of changes. */
const FURTHER_SHARE = 1;
/** Set to any text: no copy is made. For a disk without room, after a copy to elsewhere. */
const WITHOUT_COPY = "MASTLOG_UPGRADE_WITHOUT_COPY";

export function schemaVersion(db: Database.Database): number {
  return Number(db.pragma("user_version", { simple: true }));
}

function migrationFiles(): { number: number; file: string }[] {
  return readdirSync(fileURLToPath(MIGRATIONS))
    .filter((file) => /^\d{3}-[\w-]+\.sql$/.test(file))
    .sort()
    .map((file) => ({ number: Number(file.slice(0, 3)), file }));
}

/** The schema that this program writes. */
export function newestVersion(): number {
  return migrationFiles().at(-1)?.number ?? 0;
}

export function migrate(db: Database.Database, path: string, onUpgrade: OnUpgrade): void {
  if (schemaVersion(db) > newestVersion()) {
    db.close();
    throw new StoreUnusable(
      `${path} was written by a newer Mastlog than this one.`,
      "Update this program, or name another file with --db.",
    );
  }
  const from = schemaVersion(db);
  const isNew = from === 0 || db.memory;
  const to = newestVersion();
  if (from === to) return;
  const upgrade = isNew ? null : upgradeOf(db, { from, to }, onUpgrade);
  const files = migrationFiles().filter(({ number }) => number > from);
  // A new store is made at once, or not at all; another's data are taken from schema to schema.
  for (const step of isNew ? [files] : files.map((file) => [file])) {
    // IMMEDIATE, and the version asked again inside: two processes may start on one new file.
    db.transaction(() => {
      for (const { number, file } of step) {
        if (schemaVersion(db) >= number) continue;
        db.exec(readFileSync(new URL(file, MIGRATIONS), "utf8"));
        db.pragma(`user_version = ${number}`);
      }
    }).immediate();
    upgrade?.step(step.at(-1)?.number ?? to);
  }
  upgrade?.done();
}

function upgradeOf(
  db: Database.Database,
  versions: { readonly from: number; readonly to: number },
  say: OnUpgrade,
): Upgrade {
  try {
    return new Upgrade(db, versions, say);
  } catch (error) {
    db.close();
    throw error;
  }
}

class Upgrade {
  readonly #path: string;
  readonly #from: number;
  readonly #to: number;
  readonly #say: OnUpgrade;
  readonly #beganMs = performance.now();
  readonly #bytes: number;
  readonly #copy: string | null;

  /** Makes the copy. Throws StoreUnusable where there is no room for it. */
  constructor(
    db: Database.Database,
    versions: { readonly from: number; readonly to: number },
    say: OnUpgrade,
  ) {
    this.#path = db.name;
    this.#from = versions.from;
    this.#to = versions.to;
    this.#say = say;
    this.#bytes = statSync(this.#path).size;
    this.#copy = process.env[WITHOUT_COPY] === undefined ? copyBeside(db, this.#from, this.#bytes) : null;
    if (this.#bytes > SMALL_BYTES)
      say(
        `${this.#what("is being upgraded")} (${fileSize(this.#bytes)}), about ${duration(Math.ceil(this.#bytes / BYTES_A_SECOND))} on a laptop, several times as long on a small machine.`,
      );
  }

  /** One schema further. */
  step(schema: number): void {
    if (this.#bytes > SMALL_BYTES)
      this.#say(`Schema ${schema} of ${this.#to} is reached after ${this.#passed()}.`);
  }

  done(): void {
    const kept =
      this.#copy === null
        ? "No copy of before was made."
        : `A copy of before is kept as ${this.#copy}; delete it once all is well.`;
    this.#say(`${this.#what("was upgraded")} in ${this.#passed()}. ${kept}`);
  }

  #what(verb: string): string {
    return `The store ${this.#path} ${verb} from schema ${this.#from} to ${this.#to}`;
  }

  #passed(): string {
    return duration((performance.now() - this.#beganMs) / 1000);
  }
}

/** Returns the path of a copy of one state of the store, its owner's only. */
function copyBeside(db: Database.Database, version: number, bytes: number): string {
  const copy = `${db.name}.schema-${version}`;
  const folder = dirname(resolve(db.name));
  const { bavail, bsize } = statfsSync(folder);
  const needed = bytes * (1 + FURTHER_SHARE);
  if (bavail * bsize < needed)
    throw new StoreUnusable(
      `There is no room to upgrade the store ${db.name} and to keep a copy of before: it takes ${fileSize(needed)}.`,
      `Free some room. Or copy the store to elsewhere, and start once with ${WITHOUT_COPY}=1.`,
    );
  const part = `${copy}.part`;
  rmSync(part, { force: true });
  try {
    if (!copyFile(db, part)) db.prepare("VACUUM INTO ?").run(part);
    chmodSync(part, 0o600);
    renameSync(part, copy);
  } catch (error) {
    rmSync(part, { force: true });
    const reason = errorText(error);
    throw new StoreUnusable(
      `The copy ${basename(copy)} of the store could not be made before its upgrade: ${reason}.`,
      `Free some room, or copy the store to elsewhere and start once with ${WITHOUT_COPY}=1.`,
    );
  }
  return copy;
}

/** Copies the file while nobody can write to it; false: a part of the store is in the log of changes. */
function copyFile(db: Database.Database, to: string): boolean {
  db.pragma("wal_checkpoint(TRUNCATE)");
  return db
    .transaction(() => {
      if ((statSync(`${db.name}-wal`, { throwIfNoEntry: false })?.size ?? 0) > 0) return false;
      copyFileSync(db.name, to, constants.COPYFILE_FICLONE);
      return true;
    })
    .immediate();
}
