/** Does a store of every earlier schema open, keep what it holds, and answer the views? */
import { mkdtempSync, readFileSync, rmSync, statSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import Database from "better-sqlite3";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { newestVersion } from "../../src/store/upgrade.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { trialsView } from "../../src/views/trials/trials.ts";
import { askedWindow } from "../../src/views/window.ts";
import { earlierSchemas, someHours, unpackStore, writeMissingStores } from "./old-stores.ts";
import { workOff } from "./some-days.ts";
import { phy, pull, push, SHED, START_US } from "./traffic.ts";

let folder = "";
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-upgrade-"));
  if (process.env.MASTLOG_WRITE_STORES === "1") writeMissingStores(folder);
}, 300_000);
afterAll(() => rmSync(folder, { recursive: true }));

const RECEPTIONS =
  "SELECT id, gateway_id, at_us, tmst_key, rssi_tenths, snr_tenths, payload FROM reception ORDER BY id";

function rowsOf(path: string): unknown[] {
  const db = new Database(path, { readonly: true });
  try {
    return db.prepare(RECEPTIONS).all();
  } finally {
    db.close();
  }
}

function upgraded(schema: number): { db: Store; path: string; said: string[]; before: unknown[] } {
  const path = join(folder, `site-${schema}.db`);
  unpackStore(schema, path);
  const before = rowsOf(path);
  const said: string[] = [];
  return { db: openStore(path, (sentence) => said.push(sentence)), path, said, before };
}

describe("a store of an earlier schema", { timeout: 60_000 }, () => {
  it("goes on counting from the states of its addresses, which were text until 023", () => {
    const { db } = upgraded(23);
    const states = () =>
      db.prepare("SELECT hex(substr(state, 1, 1)) FROM address_state").pluck().all() as string[];
    // "{", and the first octet of zlib's head.
    expect(new Set(states())).toEqual(new Set(["7B"]));
    const life = () =>
      db.prepare("SELECT number, last_counter, heard FROM life WHERE dev_addr = 0x01000000").all();
    // Counters 1 to 29.
    expect(life()).toEqual([{ number: 1, last_counter: 29, heard: 29 }]);
    const recorder = new Recorder(db, judgeGap);
    recorder.record([push(SHED, 0.4 * 86_400 + 1_200, [{ payload: phy("01000000", 30), tmstUs: 77 }])]);
    expect(life()).toEqual([{ number: 1, last_counter: 30, heard: 30 }]);
    recorder.close();
    expect(new Set(states())).toEqual(new Set(["7B", "78"]));
    db.close();
  });

  it.each([1, 13, 27])("%i knows its datagrams again, whose digests were longer until 027", (schema) => {
    const { db, path } = upgraded(schema);
    const old = new Database(`${path}.schema-${schema}`, { readonly: true });
    const longest = (store: Store) => store.prepare("SELECT max(digest) FROM datagram").pluck().get();
    expect(longest(old)).toBeGreaterThan(2 ** 51);
    expect(longest(db)).toBeLessThan(2 ** 47);
    old.close();
    const rows = () => db.prepare("SELECT * FROM datagram").all();
    const before = rows();
    const recorder = new Recorder(db, judgeGap);
    expect(recorder.record(someHours()).datagrams).toBe(0);
    expect(rows()).toEqual(before);
    recorder.close();
    db.close();
  });

  it.each(earlierSchemas())("%i opens, keeps its receptions, and answers the views", (schema) => {
    const { db, path, said, before } = upgraded(schema);
    expect(db.pragma("user_version", { simple: true })).toBe(newestVersion());
    expect(db.prepare(RECEPTIONS).all()).toEqual(before);
    // 81 frames at two gateways; each missed seven of them.
    expect(before.length).toBe(148);
    expect(said).toEqual([
      expect.stringMatching(
        new RegExp(
          `^The store ${path} was upgraded from schema ${schema} to ${newestVersion()} in .+\\. A copy of before is kept as ${path}\\.schema-${schema}; delete it once all is well\\.$`,
        ),
      ),
    ]);
    expect(rowsOf(`${path}.schema-${schema}`)).toEqual(before);
    expect(statSync(`${path}.schema-${schema}`).mode & 0o777).toBe(0o600);
    // It goes on recording, and what is derived is worked out.
    const recorder = new Recorder(db, judgeGap);
    recorder.record([pull(SHED, 0.4 * 86_400 + 60, 1)]);
    workOff(recorder);
    const window = askedWindow(db, {}, START_US + 86_400e6);
    // 29 frames each in 34,560 s; six counters of the last were lost, and no gateway was out.
    const figures = nodesView(db, window).nodes.map(
      ({ devAddr, heard, expected, missed, missedDuringOutage, missedNotRecorded }) => [
        devAddr,
        heard,
        expected,
        missed,
        missedDuringOutage,
        missedNotRecorded,
      ],
    );
    expect(figures).toEqual([
      ["01000000", 29, 29, 0, 0, 0],
      ["01000001", 29, 29, 0, 0, 0],
      ["01000002", 23, 29, 6, 0, 0],
    ]);
    const { counts, gaps } = gapsView(db, window);
    expect([counts.gaps, gaps[0]?.devAddr, gaps[0]?.missedCounters]).toEqual([1, "01000002", 6]);
    const gateways = gatewaysView(db, window).gateways;
    expect(gateways.map(({ receptions, outages }) => [receptions, outages.length])).toEqual([
      [74, 0],
      [74, 0],
    ]);
    expect(airView(db, window).channels.reduce((sum, { receptions }) => sum + receptions, 0)).toBe(148);
    expect(nodesView(db, window).nodes[0]?.name).toBe("Pond pump");
    expect(siteView(db, window).gateways.length).toBe(2);
    expect(benchView(db, window, SHED)?.items.length ?? 0).toBeGreaterThan(20);
    expect(trialsView(db, window, null).sides.length).toBeGreaterThan(0);
    recorder.close();
    db.close();
  });

  it("says how far it is where it is large, and makes no copy when told so", () => {
    const path = join(folder, "large.db");
    unpackStore(20, path);
    const old = new Database(path);
    old.exec("CREATE TABLE filler (octets BLOB) STRICT; INSERT INTO filler VALUES (zeroblob(70000000))");
    old.close();
    process.env.MASTLOG_UPGRADE_WITHOUT_COPY = "1";
    const said: string[] = [];
    try {
      openStore(path, (sentence) => said.push(sentence)).close();
    } finally {
      delete process.env.MASTLOG_UPGRADE_WITHOUT_COPY;
    }
    expect(said[0]).toMatch(/is being upgraded from schema 20 to \d+ \(70\.\d\sMB\), about 3\ss/);
    expect(said.filter((sentence) => sentence.startsWith("Schema ")).length).toBe(newestVersion() - 20);
    expect(said.at(-1)).toMatch(/No copy of before was made\.$/);
    expect(() => readFileSync(`${path}.schema-20`)).toThrow("ENOENT");
  });

  it("stays as it was where a step fails, with its copy beside it", () => {
    const path = join(folder, "broken.db");
    unpackStore(18, path);
    const old = new Database(path);
    // Stands where a migration makes a table of this name.
    old.exec("CREATE TABLE gateway_hour (octets BLOB) STRICT");
    old.close();
    const before = rowsOf(path);
    expect(() => openStore(path, () => undefined)).toThrow("gateway_hour");
    const db = new Database(path);
    expect(db.pragma("user_version", { simple: true })).toBe(18);
    db.close();
    expect(rowsOf(path)).toEqual(before);
    expect(rowsOf(`${path}.schema-18`)).toEqual(before);
  });
});
