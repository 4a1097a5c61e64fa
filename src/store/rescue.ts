/**
 * Reads what can be read of a damaged store into a new one. The damaged file is only ever copied. Each table is gone through in order of its rows; where a page cannot be read the
 * reading goes on behind it. What can be derived is derived again.
 */
import { existsSync, rmSync } from "node:fs";
import type { JudgeGap } from "../model/gap.ts";
import { checkTarget, publish } from "./backup.ts";
import { openDamaged } from "./damaged-copy.ts";
import { openStore, type Store } from "./open.ts";
import { rebuild } from "./rebuild.ts";
import { type Removed, removedOf } from "./retention.ts";
import { SERVICE_SETTING } from "./service-claim.ts";
import { writeSetting } from "./settings.ts";
import { isSqliteError, StoreUnusable } from "./store-error.ts";

export interface RescuedTable {
  readonly name: string;
  readonly rows: number;
  /** Places at which rows could not be read; each is one page of the file or more. */
  readonly holes: number;
}

export interface RescueResult {
  /** Tables with rows or with holes. */
  readonly tables: readonly RescuedTable[];
  readonly receptions: number;
  /** What the damaged store had removed by its rule; of that time nothing is rescued. */
  readonly removed: Removed | null;
}

export interface RescueOptions {
  readonly overwrite: boolean;
  readonly judge: JudgeGap | null;
  readonly onProgress: (share: number) => void;
}

const ROWS_A_STEP = 1_000;
/** The largest row number that a number of JavaScript holds. */
const MAX_ROW_ID = Number.MAX_SAFE_INTEGER;
/** Bad places of one table after which it is given up: each costs some hundred statements. */
const MAX_HOLES = 5_000;

/** Rejects with StoreUnusable when nothing can be read, or when the new file cannot be written. */
export async function rescueStore(
  path: string,
  target: string,
  options: RescueOptions,
): Promise<RescueResult> {
  checkTarget(path, target, options.overwrite);
  if (!existsSync(path)) throw new StoreUnusable(`There is no store ${path}.`, "Name it with --db.");
  return await publish(target, options.overwrite, async (part) => {
    const work = `${part}-damaged`;
    let source: Store | null = null;
    const db = openStore(part);
    try {
      source = openDamaged(path, work);
      const tables = copyTables(source, db, options.onProgress);
      writeSetting(db, SERVICE_SETTING, null);
      removeOrphans(db);
      const removed = dropRemovedTime(db);
      rebuild(db, () => undefined, options.judge);
      db.pragma("journal_mode = DELETE");
      const receptions = tables.find(({ name }) => name === "reception")?.rows ?? 0;
      return { tables: tables.filter(({ rows, holes }) => rows > 0 || holes > 0), receptions, removed };
    } finally {
      source?.close();
      db.close();
      for (const suffix of ["", "-wal", "-shm", "-journal"]) rmSync(`${work}${suffix}`, { force: true });
    }
  });
}

/** Everything is derived again, which cannot be done for time whose receptions were removed: it counts as not recorded. */
function dropRemovedTime(db: Store): Removed | null {
  const removed = removedOf(db);
  if (removed === null) return null;
  const { beforeUs } = removed;
  for (const table of [
    "reception",
    "datagram",
    "status_report",
    "transmit_outcome",
    "downlink",
    "gateway_restart",
  ])
    db.prepare(`DELETE FROM ${table} WHERE at_us < ?`).run(beforeUs);
  db.prepare("DELETE FROM recorded_range WHERE to_us < ?").run(beforeUs);
  db.prepare("UPDATE recorded_range SET from_us = max(from_us, ?)").run(beforeUs);
  db.exec("UPDATE removal SET removed_to_us = 0, swept_to_us = 0, rule = ''");
  return removed;
}

function copyTables(source: Store, db: Store, onProgress: (share: number) => void): RescuedTable[] {
  db.pragma("foreign_keys = OFF");
  const tables = db
    .prepare(
      "SELECT name, wr FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND name NOT LIKE 'sqlite_%'",
    )
    .all() as { name: string; wr: number }[];
  const copied = tables.map(({ name, wr }, index) => {
    const columns = sharedColumns(source, db, name);
    const copy =
      columns.length === 0 ? { rows: 0, holes: 0 } : new TableCopy(source, db, name, columns).run(wr === 1);
    onProgress((index + 1) / tables.length);
    return { name, ...copy };
  });
  db.pragma("foreign_keys = ON");
  return copied;
}

/** An older store has fewer columns; what is new has its default. */
function sharedColumns(source: Store, db: Store, table: string): string[] {
  const of = (store: Store) =>
    (store.prepare("SELECT name FROM pragma_table_info(?)").all(table) as { name: string }[]).map(
      ({ name }) => name,
    );
  try {
    const there = new Set(of(source));
    return of(db).filter((name) => there.has(name));
  } catch {
    return [];
  }
}

/** What a failed read costs; any other error is ours. */
function unlessUnreadable<T>(work: () => T): T | "unreadable" {
  try {
    return work();
  } catch (error) {
    if (isSqliteError(error)) return "unreadable";
    throw error;
  }
}

class TableCopy {
  readonly #source: Store;
  readonly #db: Store;
  readonly #table: string;
  readonly #list: string;
  readonly #write: (rows: readonly unknown[][]) => number;
  #rows = 0;
  #holes = 0;

  constructor(source: Store, db: Store, table: string, columns: readonly string[]) {
    this.#source = source;
    this.#db = db;
    this.#table = table;
    this.#list = columns.map((name) => `"${name}"`).join(", ");
    // A new store has a first row in tables of one row.
    const isNew = db.prepare(`SELECT 1 FROM "${table}" LIMIT 1`).get() === undefined;
    const insert = db.prepare(
      `INSERT OR ${isNew ? "IGNORE" : "REPLACE"} INTO "${table}" (${this.#list}) VALUES (${columns.map(() => "?").join(", ")})`,
    );
    this.#write = db.transaction((rows: readonly unknown[][]) =>
      // A row that the rules of its table refuse is damaged, too.
      rows.reduce((sum, row) => sum + Number(unlessUnreadable(() => insert.run(...row).changes) === 1), 0),
    );
  }

  run(withoutRowId: boolean): { rows: number; holes: number } {
    if (withoutRowId) this.#fromBothEnds();
    else this.#byRowId();
    return { rows: this.#rows, holes: this.#holes };
  }

  #byRowId(): void {
    const lastOf = this.#source
      .prepare(
        `SELECT max(id) FROM (SELECT rowid AS id FROM "${this.#table}" WHERE rowid >= ? ORDER BY rowid LIMIT ?)`,
      )
      .pluck();
    // LIMIT ends before the next row is looked at, which may lie on a bad page; an upper bound would not.
    const rows = this.#source
      .prepare(`SELECT ${this.#list} FROM "${this.#table}" WHERE rowid >= ? ORDER BY rowid LIMIT ?`)
      .raw();
    let from = Number.MIN_SAFE_INTEGER;
    let step = ROWS_A_STEP;
    while (from < MAX_ROW_ID && this.#holes < MAX_HOLES) {
      const last = unlessUnreadable(() => lastOf.get(from, step) as bigint | null);
      if (last === null) return;
      const read = last === "unreadable" ? last : unlessUnreadable(() => rows.all(from, step) as unknown[][]);
      if (read !== "unreadable") {
        this.#rows += this.#write(read);
        from = Number(last) + 1;
        step = ROWS_A_STEP;
      } else if (step > 1) step = Math.floor(step / 10);
      else {
        this.#holes += 1;
        // The row is found but its content is not: it alone is lost. Else a page is, with all rows on it.
        const next = last === "unreadable" ? this.#behindHole(from) : Number(last) + 1;
        if (next === null) return;
        from = next;
      }
    }
  }

  /** The first row number behind unreadable pages from which rows can be sought again; null: none any more. */
  #behindHole(from: number): number | null {
    const seek = this.#source.prepare(`SELECT 1 FROM "${this.#table}" WHERE rowid = ?`);
    const isReadable = (id: number) => unlessUnreadable(() => seek.get(id)) !== "unreadable";
    let bad = Math.max(from, -1);
    let good = bad;
    for (let stride = 1; !isReadable(good); stride *= 2) {
      bad = good;
      good = bad + stride;
      if (good > MAX_ROW_ID) return null;
    }
    while (good - bad > 1) {
      const middle = bad + Math.floor((good - bad) / 2);
      if (isReadable(middle)) good = middle;
      else bad = middle;
    }
    return Math.max(good, from + 1);
  }

  /** Tables that are ordered by their key: from its begin to a bad page, then from its end. */
  #fromBothEnds(): void {
    const keys = (
      this.#db.prepare("SELECT name FROM pragma_table_info(?) WHERE pk > 0 ORDER BY pk").all(this.#table) as {
        name: string;
      }[]
    ).map(({ name }) => `"${name}"`);
    for (const order of ["ASC", "DESC"]) {
      const by = keys.map((key) => `${key} ${order}`).join(", ");
      const outcome = unlessUnreadable(() => {
        let batch: unknown[][] = [];
        const rows = this.#source.prepare(`SELECT ${this.#list} FROM "${this.#table}" ORDER BY ${by}`).raw();
        try {
          for (const row of rows.iterate()) {
            batch.push(row as unknown[]);
            if (batch.length < ROWS_A_STEP) continue;
            this.#rows += this.#write(batch);
            batch = [];
          }
        } finally {
          this.#rows += this.#write(batch);
        }
      });
      if (outcome !== "unreadable") return;
      if (order === "ASC") this.#holes += 1;
    }
  }
}

/** Rows whose owner is lost. */
function removeOrphans(db: Store): void {
  const orphans = db.pragma("foreign_key_check") as { table: string; rowid: number }[];
  for (const { table, rowid } of orphans) db.prepare(`DELETE FROM "${table}" WHERE rowid = ?`).run(rowid);
}
