/** What is in a store, read with plain SQL and nothing of the program's own? */
import Database from "better-sqlite3";

export interface StoredReception {
  readonly eui: string;
  readonly tmst: number;
  readonly payload: string;
}

function read<T>(path: string, work: (db: Database.Database) => T): T {
  const db = new Database(path, { readonly: true, fileMustExist: true });
  try {
    return work(db);
  } finally {
    db.close();
  }
}

export function storedNumber(path: string, sql: string): number {
  return read(path, (db) => Number(db.prepare(sql).pluck().get()));
}

export function storedRows<T>(path: string, sql: string): T[] {
  return read(path, (db) => db.prepare(sql).all() as T[]);
}

/** "EUI tmst payload" of every reception: what an acknowledged datagram must be found under. */
export function receptionKeys(path: string): Set<string> {
  const rows = storedRows<StoredReception>(
    path,
    "SELECT g.eui, r.tmst_key AS tmst, hex(r.payload) AS payload FROM reception r JOIN gateway g ON g.id = r.gateway_id",
  );
  return new Set(rows.map(receptionKey));
}

export function receptionKey({ eui, tmst, payload }: StoredReception): string {
  return `${eui} ${tmst} ${payload.toUpperCase()}`;
}

/** "ok" when SQLite finds the file sound. */
export function integrity(path: string): string {
  return read(path, (db) => String(db.pragma("integrity_check", { simple: true })));
}
