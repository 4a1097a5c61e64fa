/** A statement is prepared once a connection: views ask the same questions over and over. */
import type { Statement } from "better-sqlite3";
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
 * The rows of a query column by column, in the order in which they are found. For tens of thousands of rows: SQLite
 * writes each column as one JSON text, which is parsed in a third of the time that an object a row takes.
 * `columns`: expressions that are whole numbers or null; `rest`: the query from FROM on.
 */
export function columnsOf(
  store: Store,
  columns: readonly string[],
  rest: string,
  values: readonly number[] | Readonly<Record<string, number>>,
): (number | null)[][] {
  const lists = columns.map((column) => `json_group_array(${column})`);
  const texts = prepared(store, `SELECT ${lists.join(", ")} ${rest}`)
    .raw()
    .get(values) as string[];
  return texts.map((text) => JSON.parse(text) as (number | null)[]);
}
