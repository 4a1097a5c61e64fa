/**
 * Copies a store while it is in use. The copy is one consistent state of it, one file, its owner's only, and appears
 * under its name only when it is complete and sound.
 */

import {
  closeSync,
  existsSync,
  fsyncSync,
  linkSync,
  openSync,
  realpathSync,
  renameSync,
  rmSync,
  statSync,
} from "node:fs";
import { dirname, resolve } from "node:path";
import Database from "better-sqlite3";
import { errorCode } from "../model/fault.ts";
import { createForOwner, openAnyVersion } from "./open.ts";
import { type Removed, removedOf } from "./retention.ts";
import { SERVICE_SETTING } from "./service-claim.ts";
import { writeSetting } from "./settings.ts";
import { isDamage, rescueRemedy, StoreUnusable } from "./store-error.ts";

export interface BackupOptions {
  /** Replace a file that is there. */
  readonly overwrite: boolean;
  /** Leave the keys of nodes out; what they verified stays. */
  readonly withoutKeys: boolean;
  /** Share done, 0 to 1. Throwing ends the copy; nothing is left of it. */
  readonly onProgress: (share: number) => void;
}

export interface BackupResult {
  readonly bytes: number;
  readonly receptions: number;
  /** Sets of keys in the copy. */
  readonly keySets: number;
  /** What the store had removed by its rule; null: nothing. */
  readonly removed: Removed | null;
}

/** Pages copied at a time, 4 MB: between two parts the program can show progress and be stopped. */
const PAGES_A_STEP = 1_000;

/** Rejects with StoreUnusable when the store cannot be read whole or the copy cannot be written. */
export async function backupStore(
  path: string,
  target: string,
  options: BackupOptions,
): Promise<BackupResult> {
  checkTarget(path, target, options.overwrite);
  return await publish(target, options.overwrite, async (part) => {
    const source = openAnyVersion(path);
    try {
      // A read transaction holds one state: without it every commit of a running service would start the copy anew
      // (sqlite.org/backup.html, "the backup is restarted").
      source.exec("BEGIN");
      source.prepare("SELECT count(*) FROM sqlite_schema").get();
      createForOwner(part);
      await source.backup(part, {
        progress: ({ totalPages, remainingPages }) => {
          options.onProgress(totalPages === 0 ? 1 : 1 - remainingPages / totalPages);
          return PAGES_A_STEP;
        },
      });
    } finally {
      source.close();
    }
    return finishCopy(path, part, options.withoutKeys);
  });
}

/** Refuses a target that is the store itself, that is there already, or that has no folder. */
export function checkTarget(path: string, target: string, overwrite: boolean): void {
  if (!existsSync(dirname(resolve(target))))
    throw new StoreUnusable(
      `There is no folder ${dirname(resolve(target))}.`,
      "Make it, or name another file.",
    );
  if (!existsSync(target)) return;
  if (existsSync(path) && realpathSync(path) === realpathSync(target))
    throw new StoreUnusable("The copy would replace the store itself.", "Name another file.");
  if (!overwrite)
    throw new StoreUnusable(
      `${target} is there already.`,
      "Name another file, or replace it with --overwrite.",
    );
}

/** Lets `make` write a file beside the target and gives it the target's name once it is done and on the disk. */
export async function publish<T>(
  target: string,
  overwrite: boolean,
  make: (part: string) => Promise<T>,
): Promise<T> {
  const part = `${target}.part-${process.pid}`;
  const remove = () => {
    for (const suffix of ["", "-journal", "-wal", "-shm"]) rmSync(`${part}${suffix}`, { force: true });
  };
  remove();
  try {
    const made = await make(part);
    const file = openSync(part, "r+");
    fsyncSync(file);
    closeSync(file);
    if (overwrite) renameSync(part, target);
    else linkOrRename(part, target);
    return made;
  } catch (error) {
    const code = errorCode(error);
    if (code === "EEXIST") throw new StoreUnusable(`${target} is there already.`, "Name another file.");
    if (code === "ENOSPC" || code.startsWith("SQLITE_FULL"))
      throw new StoreUnusable(
        `There is no room for ${target}.`,
        "Free some disk space, or name another folder.",
      );
    if (code === "EACCES" || code === "EPERM" || code === "EROFS" || code === "SQLITE_CANTOPEN")
      throw new StoreUnusable(`${target} cannot be written (${code}).`, "Name another folder.");
    throw error;
  } finally {
    remove();
  }
}

/** A link fails when the name was taken meanwhile, which a rename would replace; some file systems have no links. */
function linkOrRename(part: string, target: string): void {
  try {
    linkSync(part, target);
  } catch (error) {
    const code = errorCode(error);
    if (code === "EEXIST" || existsSync(target)) throw error;
    renameSync(part, target);
  }
}

/** Checks the copy and takes out what must not travel: which service runs on the store, and keys if asked. */
function finishCopy(path: string, part: string, withoutKeys: boolean): BackupResult {
  const copy = new Database(part, { fileMustExist: true });
  try {
    // Without a log of changes of its own the copy stays one file, also on a medium that cannot be written.
    copy.pragma("journal_mode = DELETE");
    if (String(copy.pragma("quick_check(1)", { simple: true })) !== "ok")
      throw new StoreUnusable(
        `The store ${path} is damaged: a part of it cannot be read.`,
        rescueRemedy(path),
      );
    writeSetting(copy, SERVICE_SETTING, null);
    if (withoutKeys) {
      copy.exec("DELETE FROM node_key");
      // Makes the file anew: deleted octets would stay readable in free pages.
      copy.exec("VACUUM");
    }
    const count = (table: string) => Number(copy.prepare(`SELECT count(*) FROM ${table}`).pluck().get());
    // A copy is of any version: earlier ones removed nothing.
    const mayLack = copy.prepare("SELECT 1 FROM sqlite_schema WHERE name = 'removal'").get() !== undefined;
    return {
      bytes: statSync(part).size,
      receptions: count("reception"),
      keySets: count("node_key"),
      removed: mayLack ? removedOf(copy) : null,
    };
  } catch (error) {
    if (isDamage(error))
      throw new StoreUnusable(
        `The store ${path} is damaged: a part of it cannot be read.`,
        rescueRemedy(path),
      );
    throw error;
  } finally {
    copy.close();
  }
}
