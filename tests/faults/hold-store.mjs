/** Another program that holds a store's write lock: `node hold-store.mjs FILE MILLISECONDS`; says when it has it. */
import Database from "better-sqlite3";

const [, , file, milliseconds] = process.argv;
const db = new Database(file, { timeout: 5_000 });
db.exec("BEGIN IMMEDIATE");
process.stdout.write("held\n");
setTimeout(() => {
  db.exec("COMMIT");
  db.close();
  process.stdout.write("released\n");
}, Number(milliseconds));
