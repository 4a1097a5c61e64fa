import { mkdtempSync, readdirSync, rmSync, statSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { beforeEach, describe, expect, it, onTestFinished } from "vitest";
import type { NodeKeysEntry } from "../../src/ledger/keys/file.ts";
import { addKeys, keysOfAddress, listKeys, removeKeys } from "../../src/store/keys.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { DEV_ADDR, frame10 } from "../ledger/keyed-frames.ts";
import { push, SHED, START_US, TOWER } from "./traffic.ts";

const KEY_A = Uint8Array.from({ length: 16 }, (_, i) => 0xa0 + i);
const KEY_B = Uint8Array.from({ length: 16 }, (_, i) => 0x3b ^ (i * 7));
const DEVICE = "02005E1000000A01";

function entry(nwkSKey: Uint8Array, more: Partial<NodeKeysEntry> = {}): NodeKeysEntry {
  return { devAddr: DEV_ADDR, devEui: null, counterBits: 32, note: null, keys: { nwkSKey }, ...more };
}

function sent(key: Uint8Array, counter: number, salt = 0): Uint8Array {
  return frame10(key, { counter, payload: Uint8Array.of(salt, 1, 2) }).octets;
}

/** Two devices on one address, a minute's rhythm each, counters one apart; A restarts at 0 after 30 frames. */
function twoDevices(): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let i = 0; i < 60; i++) {
    const counter = i < 30 ? 65_520 + i : i - 30;
    all.push(push(SHED, i * 60, [{ payload: sent(KEY_A, counter, i) }]));
    all.push(push(TOWER, i * 60 + 0.2, [{ payload: sent(KEY_A, counter, i) }]));
    all.push(push(SHED, i * 60 + 20, [{ payload: sent(KEY_B, 65_521 + i, 99) }]));
  }
  return all;
}

/** 1,200 frames of the two devices. */
function longPast(): DecodedArrival[] {
  return Array.from({ length: 600 }, (_, i) => [
    push(SHED, i * 60, [{ payload: sent(KEY_A, i, i) }]),
    push(SHED, i * 60 + 20, [{ payload: sent(KEY_B, 65_521 + i, 99) }]),
  ]).flat();
}

let db: Store;
let recorder: Recorder;
beforeEach(() => {
  db = openStore(":memory:");
  recorder = new Recorder(db);
});

function rows(sql: string, store = db): unknown[] {
  return store.prepare(sql).all();
}

const LIVES = `SELECT key_id, dev_eui, proof, begun_by, first_counter, last_counter, heard FROM life ORDER BY number`;

/** Everything that rests on keys, without row numbers. */
function derived(store: Store): unknown {
  return {
    frames: rows(
      `SELECT f.at_us, f.fcnt, f.counter, f.repeat, f.replay, f.mic_verdict, f.key_id, l.number AS life,
       (SELECT count(*) FROM reception r WHERE r.frame_id = f.id) AS receptions
       FROM frame f LEFT JOIN life l ON l.id = f.life_id ORDER BY f.at_us, f.content, f.frequency_hz`,
      store,
    ),
    lives: rows(
      `SELECT number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter, heard, key_id, dev_eui, proof
       FROM life ORDER BY number`,
      store,
    ),
  };
}

describe("keys in the store", () => {
  it("tell two devices with close counters on one address apart, each frame with its verdict", () => {
    recorder.write((store) => addKeys(store, [entry(KEY_A, { devEui: DEVICE }), entry(KEY_B)]));
    recorder.record(twoDevices());
    expect(rows(LIVES)).toEqual([
      {
        key_id: 1,
        dev_eui: DEVICE,
        proof: "mic",
        begun_by: "first-heard",
        first_counter: 65_520,
        last_counter: 65_549,
        heard: 30,
      },
      {
        key_id: 2,
        dev_eui: null,
        proof: "mic",
        begun_by: "second-device",
        first_counter: 65_521,
        last_counter: 65_580,
        heard: 60,
      },
      {
        key_id: 1,
        dev_eui: DEVICE,
        proof: "mic",
        begun_by: "counter-reset",
        first_counter: 0,
        last_counter: 29,
        heard: 30,
      },
    ]);
    expect(rows("SELECT mic_verdict, key_id, count(*) AS n FROM frame GROUP BY 1, 2 ORDER BY 2")).toEqual([
      { mic_verdict: 1, key_id: 1, n: 60 },
      { mic_verdict: 1, key_id: 2, n: 60 },
    ]);
  });

  it("of one device are enough to keep the other's frames out of its lives", () => {
    recorder.write((store) => addKeys(store, [entry(KEY_A)]));
    recorder.record(twoDevices());
    expect(rows(LIVES)).toMatchObject([
      { key_id: 1, first_counter: 65_520, last_counter: 65_549, heard: 30 },
      { key_id: null, begun_by: "second-device", first_counter: 65_521, last_counter: 65_580, heard: 60 },
      { key_id: 1, begun_by: "counter-reset", first_counter: 0, last_counter: 29, heard: 30 },
    ]);
    expect(rows("SELECT mic_verdict, count(*) AS n FROM frame WHERE key_id IS NULL GROUP BY 1")).toEqual([
      { mic_verdict: 0, n: 60 },
    ]);
  });

  it("handed in later account the whole past anew, and taken away leave no trace", () => {
    const traffic = twoDevices();
    recorder.record(traffic);
    const without = derived(db);
    recorder.write((store) => addKeys(store, [entry(KEY_A), entry(KEY_B)]));
    expect([...recorder.settle().nodes]).toEqual([DEV_ADDR]);

    const first = openStore(":memory:");
    const firstRecorder = new Recorder(first);
    firstRecorder.write((store) => addKeys(store, [entry(KEY_A), entry(KEY_B)]));
    for (const one of traffic) firstRecorder.record([one]);
    expect(derived(db)).toEqual(derived(first));
    rebuild(db, () => undefined);
    expect(derived(db)).toEqual(derived(first));

    expect(recorder.write((store) => removeKeys(store, { devAddr: DEV_ADDR }))).toBe(2);
    recorder.settle();
    expect(derived(db)).toEqual(without);
    expect(rows("SELECT * FROM node_key")).toEqual([]);
  });

  it("handed in later account a long past in steps, taken up again after a kill, with the same outcome", () => {
    const traffic = longPast();
    const folder = mkdtempSync(join(tmpdir(), "mastlog-keys-"));
    onTestFinished(() => rmSync(folder, { recursive: true, force: true }));
    const open = () => openStore(join(folder, "site.db"));
    const isDue = (store: Store) => rows("SELECT 1 FROM account_due", store).length > 0;
    const keys = [entry(KEY_A, { devEui: DEVICE }), entry(KEY_B)];
    const step = { patient: true, nowUs: null } as const;
    db = open();
    recorder = new Recorder(db);
    recorder.record(traffic);
    recorder.write((store) => addKeys(store, keys));
    recorder.takeUp();
    let steps = 0;
    for (; steps < 2; steps++) {
      expect(isDue(db)).toBe(true);
      recorder.workOnGaps(step);
      expect(recorder.takeSettled()).toBe(false);
    }
    // Killed: nothing but what was committed is left.
    const next = open();
    const after = new Recorder(next);
    while (isDue(next)) {
      after.workOnGaps(step);
      steps += 1;
    }
    expect(after.takeSettled()).toBe(true);
    expect(steps).toBeGreaterThan(4);

    const atOnce = openStore(":memory:");
    const first = new Recorder(atOnce);
    first.record(traffic);
    first.write((store) => addKeys(store, keys));
    first.reconsider();
    expect(derived(next)).toEqual(derived(atOnce));
    next.close();
  });

  it("handed in later account a short past at once", () => {
    recorder.record(twoDevices().slice(0, 20));
    recorder.write((store) => addKeys(store, [entry(KEY_A), entry(KEY_B)]));
    expect([...recorder.takeUp().nodes]).toEqual([DEV_ADDR]);
    expect(rows("SELECT 1 FROM account_due")).toEqual([]);
  });

  it("work on from a restart, in the middle of a life", () => {
    const traffic = twoDevices();
    const whole = openStore(":memory:");
    for (const store of [whole, db]) {
      const writer = new Recorder(store);
      writer.write((inner) => addKeys(inner, [entry(KEY_A), entry(KEY_B)]));
      writer.record(traffic.slice(0, 100));
      if (store === whole) writer.record(traffic.slice(100));
      else writer.close();
    }
    new Recorder(db).record(traffic.slice(100));
    expect(derived(db)).toEqual(derived(whole));
  });

  it("settle a rollover and a reset that look alike without them", () => {
    const run = [0, 1, 2, 3, 4].map((i) => push(SHED, i * 60, [{ payload: sent(KEY_A, 65_531 + i, i) }]));
    const rolled = push(SHED, 300, [{ payload: sent(KEY_A, 65_536) }]);
    const reset = push(SHED, 300, [{ payload: sent(KEY_A, 0) }]);
    const told = [rolled, reset].map((next) => {
      const store = openStore(":memory:");
      const writer = new Recorder(store);
      writer.record([...run, next]);
      const before = rows("SELECT last_counter FROM life ORDER BY number", store);
      writer.write((inner) => addKeys(inner, [entry(KEY_A)]));
      writer.settle();
      return [before, rows("SELECT last_counter FROM life ORDER BY number", store)];
    });
    expect(told).toEqual([
      [[{ last_counter: 65_536 }], [{ last_counter: 65_536 }]],
      [[{ last_counter: 65_536 }], [{ last_counter: 65_535 }, { last_counter: 0 }]],
    ]);
  });

  it("know a replay from a repeat, count it as one, and note it once however often the past is accounted", () => {
    recorder.write((store) => addKeys(store, [entry(KEY_A)]));
    const payload = sent(KEY_A, 10);
    recorder.record([
      push(SHED, 0, [{ payload }]),
      push(SHED, 3, [{ payload, frequencyHz: 868_500_000 }]),
      push(SHED, 60, [{ payload: sent(KEY_A, 11) }]),
      push(SHED, 120, [{ payload: sent(KEY_A, 12) }]),
      push(SHED, 130, [{ payload }]),
    ]);
    const replays = "SELECT reason, refused, count FROM refusal";
    expect(rows("SELECT counter, repeat, replay FROM frame ORDER BY at_us")).toEqual([
      { counter: 10, repeat: 0, replay: 0 },
      { counter: 10, repeat: 1, replay: 0 },
      { counter: 11, repeat: 0, replay: 0 },
      { counter: 12, repeat: 0, replay: 0 },
      { counter: 10, repeat: 1, replay: 1 },
    ]);
    expect(rows(replays)).toEqual([{ reason: "replay", refused: 0, count: 1 }]);
    recorder.record([push(TOWER, 90, [{ payload: sent(KEY_A, 11, 5) }])]);
    expect(rows(replays)).toEqual([{ reason: "replay", refused: 0, count: 1 }]);
  });

  it("note a replay that is known as one only when the frames before it come late", () => {
    recorder.write((store) => addKeys(store, [entry(KEY_A)]));
    const payload = sent(KEY_A, 10);
    const replays = "SELECT reason, refused, first_at_us, count FROM refusal";
    recorder.record([push(SHED, 130, [{ payload }])]);
    expect(rows(replays)).toEqual([]);
    recorder.record([
      push(TOWER, 0, [{ payload }]),
      push(TOWER, 60, [{ payload: sent(KEY_A, 11) }]),
      push(TOWER, 120, [{ payload: sent(KEY_A, 12) }]),
    ]);
    expect(rows("SELECT counter, replay FROM frame ORDER BY at_us")).toEqual([
      { counter: 10, replay: 0 },
      { counter: 11, replay: 0 },
      { counter: 12, replay: 0 },
      { counter: 10, replay: 1 },
    ]);
    expect(rows(replays)).toEqual([
      { reason: "replay", refused: 0, first_at_us: START_US + 130e6, count: 1 },
    ]);
  });

  it("give the same whatever the order and the division of what gateways deliver, and whenever they come", () => {
    const traffic = twoDevices().slice(0, 120);
    const inOrder = openStore(":memory:");
    const writer = new Recorder(inOrder);
    writer.write((store) => addKeys(store, [entry(KEY_A), entry(KEY_B)]));
    writer.record(traffic);
    const shuffles = fc.record({
      order: fc.array(fc.nat(), { minLength: 120, maxLength: 120 }),
      batch: fc.integer({ min: 1, max: 60 }),
      keysAfter: fc.nat(3),
    });
    fc.assert(
      fc.property(shuffles, ({ order, batch, keysAfter }) => {
        const store = openStore(":memory:");
        const other = new Recorder(store);
        const shuffled = traffic
          .map((item, i) => ({ item, by: order[i] ?? 0, i }))
          .sort((a, b) => a.by - b.by || a.i - b.i)
          .map(({ item }) => item);
        for (let i = 0, n = 0; i < shuffled.length; i += batch, n++) {
          if (n === keysAfter) other.write((inner) => addKeys(inner, [entry(KEY_A), entry(KEY_B)]));
          other.record(shuffled.slice(i, i + batch));
        }
        other.write((inner) => addKeys(inner, [entry(KEY_A), entry(KEY_B)]));
        other.settle();
        expect(derived(store)).toEqual(derived(inOrder));
        store.close();
      }),
      { numRuns: 10 },
    );
  });

  it("given twice are held once, with the newest note", () => {
    expect(addKeys(db, [entry(KEY_A, { note: "north row" }), entry(KEY_A)])).toBe(1);
    expect(addKeys(db, [entry(KEY_A, { note: "south row" })])).toBe(0);
    expect(listKeys(db)).toEqual([
      {
        id: 1,
        devAddr: DEV_ADDR,
        devEui: null,
        counterBits: 32,
        note: "south row",
        origin: "person",
        holds: ["nwkSKey"],
      },
    ]);
    expect(keysOfAddress(db, Number.parseInt(DEV_ADDR, 16))[0]?.keys.nwkSKey).toEqual(KEY_A);
  });
});

describe("key material", () => {
  /** All forms in which octets could have been written down. */
  function forms(key: Uint8Array): string[] {
    const octets = Buffer.from(key);
    return [octets.toString("hex"), octets.toString("base64"), octets.toString("latin1"), [...key].join(",")];
  }

  it("stands in no table but its own, whatever was accounted with it", () => {
    recorder.write((store) => addKeys(store, [entry(KEY_A, { note: "north row" }), entry(KEY_B)]));
    recorder.record(twoDevices());
    recorder.close();
    const tables = db
      .prepare("SELECT name FROM sqlite_schema WHERE type = 'table'")
      .pluck()
      .all() as string[];
    expect(tables).toContain("node_key");
    for (const name of tables.filter((one) => one !== "node_key")) {
      for (const row of db.prepare(`SELECT * FROM ${name}`).all() as Record<string, unknown>[]) {
        for (const value of Object.values(row)) {
          const text = value instanceof Uint8Array ? Buffer.from(value).toString("latin1") : String(value);
          for (const form of [KEY_A, KEY_B].flatMap(forms))
            expect(text.toLowerCase()).not.toContain(form.toLowerCase());
        }
      }
    }
    const listed = JSON.stringify(listKeys(db)).toLowerCase();
    for (const form of [KEY_A, KEY_B].flatMap(forms)) expect(listed).not.toContain(form.toLowerCase());
  });

  it("lies in files that only their owner can read, a store of an older making included", () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-"));
    onTestFinished(() => rmSync(folder, { recursive: true }));
    const modes = () =>
      readdirSync(folder).map((name) => [name, (statSync(join(folder, name)).mode & 0o777).toString(8)]);
    const store = openStore(join(folder, "new.db"));
    new Recorder(store).record(twoDevices().slice(0, 3));
    expect(modes().sort()).toEqual([
      ["new.db", "600"],
      ["new.db-shm", "600"],
      ["new.db-wal", "600"],
    ]);
    store.close();
    writeFileSync(join(folder, "old.db"), "", { mode: 0o644 });
    const old = openStore(join(folder, "old.db"));
    addKeys(old, [entry(KEY_A)]);
    for (const [name, mode] of modes()) expect([name, mode]).toEqual([name, "600"]);
    old.close();
  });
});
