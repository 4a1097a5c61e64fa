/**
 * Another program that holds a store's write lock: `node hold-store.mjs FILE MILLISECONDS [TIMES]`; says when it has it.
 * More than once: with 20 ms between.
 */
import Database from "better-sqlite3";

const [, , file, milliseconds, times = "1"] = process.argv;
const db = new Database(file, { timeout: 5_000 });
const rest = (ms) => new Promise((done) => setTimeout(done, ms));
for (let left = Number(times); left > 0; left--) {
  db.exec("BEGIN IMMEDIATE");
  process.stdout.write("held\n");
  await rest(Number(milliseconds));
  db.exec("COMMIT");
  if (left > 1) await rest(20);
}
db.close();
process.stdout.write("released\n");
