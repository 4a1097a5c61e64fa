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
