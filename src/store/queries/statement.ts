/** A statement is prepared once a connection: views ask the same questions over and over. */
import type { Statement } from "better-sqlite3";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";

const cache = new WeakMap<Store, Map<string, Statement>>();

export function prepared(store: Store, sql: string): Statement {
  let statements = cache.get(store);
  if (statements === undefined) {
    statements = new Map();
    cache.set(store, statements);
  }
  let statement = statements.get(sql);
  if (statement === undefined) {
    statement = store.prepare(sql);
    statements.set(sql, statement);
  }
  return statement;
}

/**
 * Condition on frames of one life, whose row id is bound twice: they are found by its address, through the index of address,
 * time and life.
 */
export const OF_LIFE = "dev_addr = (SELECT dev_addr FROM main.life WHERE id = ?) AND life_id = ?";

/** The next question prepares its statement anew: names mean something else now. */
export function forgetPrepared(store: Store): void {
  cache.delete(store);
}

/**
 * The rows of a query column by column, in the order in which they are found. For tens of thousands of rows: SQLite
 * writes each column as one JSON text, which is parsed in a third of the time that an object a row takes.
 * `columns`: expressions that are whole numbers or null; `rest`: the query from FROM on.
 */
export function columnsOf(
  store: Store,
  columns: readonly string[],
  rest: string,
  values: readonly (number | string)[] | Readonly<Record<string, number | string>>,
): (number | null)[][] {
  const lists = columns.map((column) => `json_group_array(${column})`);
  const texts = prepared(store, `SELECT ${lists.join(", ")} ${rest}`)
    .raw()
    .get(values) as string[];
  return texts.map((text) => JSON.parse(text) as (number | null)[]);
}

/** Changes with every commit of another connection, and with every row written by this one. */
export function storeVersion(store: Store): string {
  const other = store.pragma("data_version", { simple: true }) as number;
  const own = prepared(store, "SELECT total_changes()").pluck().get() as number;
  return `${other}/${own}`;
}

/** Within a transaction that may write: its rows may be taken back without a change of version. */
export function isWriting(store: Store): boolean {
  return store.inTransaction && store.pragma("query_only", { simple: true }) !== 1;
}

const rowsRead = new WeakMap<
  Store,
  Map<string, { readonly version: string; readonly rows: readonly unknown[] }>
>();

/**
 * All rows of a query without values, read once while nothing changes: the parts of one answer ask for the same
 * lists. A writer's open transaction remembers nothing, for a rollback takes rows back without a change of version.
 */
export function rowsWhileUnchanged(store: Store, sql: string): readonly unknown[] {
  if (isWriting(store)) return prepared(store, sql).all();
  const version = storeVersion(store);
  let ofStore = rowsRead.get(store);
  if (ofStore === undefined) {
    ofStore = new Map();
    rowsRead.set(store, ofStore);
  }
  const known = ofStore.get(sql);
  if (known?.version === version) return known.rows;
  const rows = prepared(store, sql).all();
  ofStore.set(sql, { version, rows });
  return rows;
}

// What the parts of one answer ask for more than once is found once: it is kept with the window of the question, an object
// of its own for each, and forgotten with it. Only while nothing is written; a writer's open transaction keeps nothing,
// for a rollback takes rows back without a change of version.

interface Found {
  readonly version: string;
  readonly values: Map<string, unknown>;
}

const found = new WeakMap<TimeRange, WeakMap<Store, Found>>();

/** `key`: names the question, with all that its answer depends on beside store and window. */
export function onceAnAnswer<T>(store: Store, window: TimeRange, key: string, find: () => T): T {
  if (isWriting(store)) return find();
  const version = storeVersion(store);
  let ofWindow = found.get(window);
  if (ofWindow === undefined) {
    ofWindow = new WeakMap();
    found.set(window, ofWindow);
  }
  let known = ofWindow.get(store);
  if (known?.version !== version) {
    known = { version, values: new Map() };
    ofWindow.set(store, known);
  }
  // One key has one type: it is written where it is asked for.
  if (known.values.has(key)) return known.values.get(key) as T;
  const value = find();
  known.values.set(key, value);
  return value;
}
