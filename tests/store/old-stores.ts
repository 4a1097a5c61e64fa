/**
 * Stores of every earlier schema, as files in tests/data/stores: its own migrations, and rows of some hours of traffic in
 * the columns that it had. Those up to 021 were made afterwards, with rows of the program of today. Written by
 * `MASTLOG_WRITE_STORES=1 npx vitest run --config tests/vitest.config.ts --project unit tests/store/upgrade.test.ts`,
 * which writes those that are missing and no others: a file that is there never changes.
 */
import { existsSync, mkdirSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { gunzipSync, gzipSync, inflateSync } from "node:zlib";
import Database from "better-sqlite3";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { decodeMinutes } from "../../src/store/hours/channel-minutes.ts";
import { openStore } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { newestVersion } from "../../src/store/upgrade.ts";
import { changeMarks, NO_POSITION, writeLabel } from "../../src/store/user-data.ts";
import { traffic, workOff } from "./some-days.ts";
import { START_US } from "./traffic.ts";

const MIGRATIONS = fileURLToPath(new URL("../../migrations/", import.meta.url));
const FOLDER = fileURLToPath(new URL("../data/stores/", import.meta.url));

/** Nine hours and 36 minutes of three nodes, a frame each twenty minutes; node 01000002 lost counters 12 to 17. */
export function someHours(): DecodedArrival[] {
  return traffic(0.4).filter(({ decoding, arrival }) => {
    if (!decoding.ok || decoding.datagram.kind !== "push-data") return true;
    const counter = 1 + Math.floor((arrival.atUs - START_US) / 1_200e6);
    return decoding.datagram.packets[0]?.payload?.[1] !== 2 || counter < 12 || counter > 17;
  });
}

/** Schemas that a store may have and this program no longer writes. */
export function earlierSchemas(): number[] {
  return readdirSync(MIGRATIONS)
    .map((file) => Number(file.slice(0, 3)))
    .filter((number) => number < newestVersion())
    .sort((a, b) => a - b);
}

function fileOf(schema: number): string {
  return join(FOLDER, `schema-${String(schema).padStart(3, "0")}.db.gz`);
}

/** Writes the store of a schema to a path. */
export function unpackStore(schema: number, path: string): void {
  const file = fileOf(schema);
  if (!existsSync(file))
    throw new Error(
      `${file} is missing: it is written with MASTLOG_WRITE_STORES=1 (tests/store/old-stores.ts).`,
    );
  writeFileSync(path, gunzipSync(readFileSync(file)));
}

/** Makes those that are missing. `folder`: for what is made on the way. */
export function writeMissingStores(folder: string): void {
  mkdirSync(FOLDER, { recursive: true });
  const path = join(folder, "newest.db");
  const newest = openStore(path);
  const recorder = new Recorder(newest, judgeGap);
  recorder.record(someHours());
  workOff(recorder);
  writeLabel(newest, { kind: "node", id: "01000000", name: "Pond pump", own: true });
  const mark = { ...NO_POSITION, atUs: START_US + 1e6, untilUs: null, kind: "note" as const };
  changeMarks(newest, {
    kind: "add",
    mark: { ...mark, text: "Cut the hedge", gatewayEui: null, devAddr: null },
  });
  recorder.close();
  newest.close();
  for (const schema of earlierSchemas())
    if (!existsSync(fileOf(schema)))
      writeFileSync(fileOf(schema), gzipSync(makeStore(schema, path, folder), { level: 9 }));
}

function fillMinutes(db: Database.Database): void {
  const set = db.prepare("INSERT INTO main.channel_minute VALUES (?, ?, ?, ?, ?, ?, ?)");
  const packed = db.prepare("SELECT gateway_id, hour, columns FROM newest.channel_minute_packed").raw();
  for (const [gatewayId, hour, columns] of packed.all() as [number, number, Uint8Array][])
    for (const one of decodeMinutes(columns, hour))
      set.run(gatewayId, one.frequencyHz, one.minute, one.receptions, one.crcBad, one.airtimeUs, one.busyUs);
}

function makeStore(schema: number, newest: string, folder: string): Buffer {
  const path = join(folder, `schema-${schema}.db`);
  rmSync(path, { force: true });
  const db = new Database(path);
  for (const file of readdirSync(MIGRATIONS).sort()) {
    if (Number(file.slice(0, 3)) > schema) break;
    db.exec(readFileSync(join(MIGRATIONS, file), "utf8"));
  }
  db.pragma(`user_version = ${schema}`);
  db.exec(`ATTACH '${newest}' AS newest`);
  // Until 023 the states of addresses were text.
  db.function("as_text", (state: unknown) => inflateSync(state as Buffer).toString());
  const all = (sql: string, ...values: string[]) =>
    db
      .prepare(sql)
      .pluck()
      .all(...values) as string[];
  const triggers = db.prepare("SELECT name, sql FROM main.sqlite_schema WHERE type = 'trigger'").all() as {
    name: string;
    sql: string;
  }[];
  // The rows that they would write come by themselves.
  for (const { name } of triggers) db.exec(`DROP TRIGGER ${name}`);
  for (const table of all(
    "SELECT name FROM main.sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'",
  )) {
    const there = new Set(all("SELECT name FROM pragma_table_info(?, 'newest')", table));
    const columns = all("SELECT name FROM pragma_table_info(?, 'main')", table).filter((one) =>
      there.has(one),
    );
    if (columns.length === 0) continue;
    // Until 013 an address had one state: its newest.
    const values = columns.map((one) =>
      table === "address_state" && one === "state" && schema < 24 ? "as_text(state)" : one,
    );
    const order = table === "address_state" ? "ORDER BY last_at_us DESC" : "";
    db.exec(`DELETE FROM main.${table};
      INSERT OR IGNORE INTO main.${table} (${columns}) SELECT ${values} FROM newest.${table} ${order}`);
  }
  // Until 025 minutes of channels lay in rows for good.
  if (schema < 26) fillMinutes(db);
  for (const { sql } of triggers) db.exec(sql);
  db.exec("DETACH newest");
  db.close();
  return readFileSync(path);
}
