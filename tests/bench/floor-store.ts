/** Where the floor programs keep what they received: one table, one insert a reception. */
import Database from "better-sqlite3";

/** What the floor keeps of an rxpk, as it came. */
export interface Rxpk {
  tmst: number;
  freq: number;
  rssi: number;
  lsnr: number;
  data: string;
}

export function openFloor(path: string, synchronous: "FULL" | "NORMAL") {
  const db = new Database(path);
  db.pragma("journal_mode = WAL");
  db.pragma(`synchronous = ${synchronous}`);
  db.exec(
    "CREATE TABLE reception (id INTEGER PRIMARY KEY, eui TEXT, at INTEGER, tmst INTEGER, freq REAL, rssi INTEGER, lsnr REAL, data TEXT)",
  );
  const insert = db.prepare(
    "INSERT INTO reception (eui, at, tmst, freq, rssi, lsnr, data) VALUES (?, ?, ?, ?, ?, ?, ?)",
  );
  const keep = (eui: string, at: number, { tmst, freq, rssi, lsnr, data }: Rxpk) =>
    insert.run(eui, at, tmst, freq, rssi, lsnr, data);
  return { db, keep };
}
