import { mkdtempSync, rmSync, statSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { describe, expect, it, onTestFinished } from "vitest";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { HOLD_MS, RecordingQueue, recordLeftHeld } from "../../src/intake/recording-queue.ts";
import type { HeldDatagram } from "../../src/store/held-log.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { rescueStore } from "../../src/store/rescue.ts";
import { HandClock } from "../intake/hand-clock.ts";
import { phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const NODE = "01A2B3C4";

function held({ arrival }: { arrival: Omit<HeldDatagram, "way" | "gatewayEui" | "sourceFault"> }) {
  const { bytes, atUs, from, to } = arrival;
  return { bytes, atUs, from, to, door: "udp", way: "up", gatewayEui: null, sourceFault: null } as const;
}

/** Two gateways hear a node every 20 s and keep alive every 10 s; one datagram in eight is no use. */
function traffic(count: number): HeldDatagram[] {
  return Array.from({ length: count }, (_, i) => {
    const gateway = i % 4 < 2 ? SHED : TOWER;
    const atS = 5 * i;
    if (i % 8 === 7) return { ...held(pull(SHED, atS, i)), bytes: Uint8Array.from([9, 9, i]) };
    if (i % 2 === 0) return held(pull(gateway, atS, i));
    return held(push(gateway, atS, [{ payload: phy(NODE, i >> 2), tmstUs: 1_000 + atS * 1e6 }], i));
  });
}

function storeFile(): string {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-held-"));
  onTestFinished(() => rmSync(folder, { recursive: true }));
  return join(folder, "held.db");
}

/** Every row of every table but the log's own; and samples of what was rejected, of which a commit keeps three. */
function dump(db: Store): Record<string, unknown[]> {
  const names = db
    .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT GLOB 'sqlite_*' ORDER BY name")
    .pluck()
    .all() as string[];
  return Object.fromEntries(
    names
      .filter((name) => !name.startsWith("held_") && name !== "refusal_sample")
      .map((name) => [
        name,
        db
          .prepare(`SELECT * FROM ${name}`)
          .all()
          .map((row) => JSON.stringify(row))
          .sort(),
      ]),
  );
}

/** A service's recorder that was killed: what it committed is there, and it stored nothing at its end. */
function killed(path: string, work: (recorder: Recorder) => void): void {
  const db = openStore(path);
  const recorder = new Recorder(db);
  recorder.listen(START_US - 1e6, "start");
  work(recorder);
  db.close();
}

describe("held datagrams", () => {
  it("give the same rows, however holding and releasing take turns", () => {
    const all = traffic(60);
    const rowsOf = (turns: readonly ("hold" | "look" | "wait" | "direct")[]) => {
      const clock = new HandClock();
      const db = openStore(":memory:");
      const recorder = new Recorder(db);
      recorder.listen(START_US - 1e6, "start");
      let isAllowed = false;
      let stored = 0;
      const queue = new RecordingQueue({
        recorder,
        clock,
        onRecorded: () => undefined,
        onStored: (count) => {
          stored += count;
        },
        holding: { recorder, isAllowed: () => isAllowed },
      });
      for (const [i, { bytes, atUs, from, to }] of all.entries()) {
        const turn = turns[i % turns.length] ?? "direct";
        isAllowed = turn === "hold";
        queue.take({ bytes, atUs, from, to, sourceFault: null, sentTo: null });
        clock.pass(1);
        // Whatever becomes of its rows, it is durable.
        expect(stored).toBe(i + 1);
        if (turn === "look") void queue.catchUp();
        clock.pass(turn === "wait" ? HOLD_MS : 1);
      }
      queue.drain(Number.POSITIVE_INFINITY);
      recorder.close();
      return dump(db);
    };
    const direct = rowsOf(["direct"]);
    expect(direct.reception).toHaveLength(23);
    const turn = fc.constantFrom("hold", "look", "wait", "direct");
    fc.assert(
      fc.property(fc.array(turn, { minLength: 1, maxLength: 20 }), (turns) => {
        expect(rowsOf(turns)).toEqual(direct);
      }),
      { numRuns: 15 },
    );
  });

  it("are rows after a kill, once, with what was released before", () => {
    const path = storeFile();
    const all = traffic(40);
    killed(path, (recorder) => {
      const clock = new HandClock();
      const queue = new RecordingQueue({
        recorder,
        clock,
        onRecorded: () => undefined,
        onStored: () => undefined,
        holding: { recorder, isAllowed: () => true },
      });
      for (const [i, { bytes, atUs, from, to }] of all.entries()) {
        queue.take({ bytes, atUs, from, to, sourceFault: null, sentTo: null });
        clock.pass(1);
        if (i === 24) void queue.catchUp();
        clock.pass(1);
      }
    });
    const db = openStore(path);
    const count = (table: string) => db.prepare(`SELECT count(*) FROM ${table}`).pluck().get();
    expect(count("datagram")).toBe(22);
    const recorder = new Recorder(db);
    expect(recordLeftHeld(recorder)).toBe(15);
    expect(recordLeftHeld(recorder)).toBe(0);
    recorder.close();
    const direct = openStore(":memory:");
    const other = new Recorder(direct);
    other.listen(START_US - 1e6, "start");
    const queue = new RecordingQueue({
      recorder: other,
      clock: new HandClock(),
      onRecorded: () => undefined,
      onStored: () => undefined,
    });
    for (const { bytes, atUs, from, to } of all)
      queue.take({ bytes, atUs, from, to, sourceFault: null, sentTo: null });
    queue.drain(Number.POSITIVE_INFINITY);
    other.close();
    expect(dump(db)).toEqual(dump(direct));
    db.close();
  });

  it("belong to the recorded time of the service that held them, which ends with its last sign of life", () => {
    const path = storeFile();
    killed(path, (recorder) => {
      recorder.hold([held(pull(SHED, 10, 1))]);
      // 13 s: so long after the datagram that it is noted; 14 s: not yet again.
      recorder.heartbeatHeld(START_US + 13e6);
      recorder.heartbeatHeld(START_US + 14e6);
    });
    const db = openStore(path);
    const recorder = new Recorder(db);
    recordLeftHeld(recorder);
    recorder.listen(START_US + 100e6, "start");
    recorder.close();
    expect(db.prepare("SELECT from_us, to_us, datagrams FROM recorded_range ORDER BY from_us").all()).toEqual(
      [
        { from_us: START_US - 1e6, to_us: START_US + 13e6, datagrams: 1 },
        { from_us: START_US + 100e6, to_us: START_US + 100e6, datagrams: 0 },
      ],
    );
    db.close();
  });

  it("cost one page of the log of changes each, over and over the same ones", () => {
    const path = storeFile();
    const db = openStore(path);
    const recorder = new Recorder(db);
    const size = () => statSync(`${path}-wal`).size;
    const all = traffic(8).filter(({ bytes }) => bytes.length > 100);
    const first = all[0];
    if (first === undefined) throw new Error("no uplink");
    recorder.hold([first]);
    const before = size();
    recorder.hold([first]);
    // A page of 1,024 octets and the frame's head of 24 (sqlite.org/fileformat2.html, section 4.1).
    expect(size() - before).toBe(1_048);
    const pages = () => db.pragma("page_count", { simple: true });
    const pagesBefore = pages();
    expect(recordLeftHeld(recorder)).toBe(2);
    for (let round = 0; round < 20; round++) {
      recorder.hold([first]);
      recordLeftHeld(recorder);
    }
    expect(pages()).toBe(pagesBefore);
    db.close();
  });

  it("leave nothing of themselves in the store once they are rows and the service ends", () => {
    const path = storeFile();
    const db = openStore(path);
    const recorder = new Recorder(db);
    recorder.hold(traffic(4));
    recordLeftHeld(recorder);
    const blocks = () => db.prepare("SELECT count(*) FROM held_block").pluck().get();
    expect(blocks()).toBe(1);
    recorder.close();
    expect(blocks()).toBe(0);
    db.close();
  });

  it("are left alone by another program that records into the same store", () => {
    const path = storeFile();
    const service = openStore(path);
    const recorder = new Recorder(service);
    const [first, ...others] = traffic(6);
    if (first === undefined) throw new Error("no datagram");
    recorder.hold([first]);
    recordLeftHeld(recorder);
    const beside = openStore(path);
    new Recorder(beside).close();
    beside.close();
    recorder.hold(others);
    service.close();
    const again = openStore(path);
    expect(recordLeftHeld(new Recorder(again))).toBe(5);
    again.close();
  });

  it("come along when a damaged store is rescued", async () => {
    const path = storeFile();
    killed(path, (recorder) => {
      recorder.hold(traffic(6));
      recordLeftHeld(recorder);
      recorder.hold(traffic(12).slice(6));
    });
    await rescueStore(path, `${path}-rescued`, {
      overwrite: false,
      onProgress: () => undefined,
      judge: judgeGap,
    });
    const db = openStore(`${path}-rescued`);
    expect(recordLeftHeld(new Recorder(db))).toBe(6);
    // Of twelve datagrams one is no use.
    expect(db.prepare("SELECT count(*) FROM datagram").pluck().get()).toBe(11);
    db.close();
  });

  it("become rows by half of the log's room, and find none beyond it", () => {
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    // 120,000 octets each, of 524,288, that nothing packs: each octet by the Park-Miller generator.
    let drawn = 1;
    const bytes = Uint8Array.from({ length: 120_000 }, () => {
      drawn = (drawn * 48_271) % 2_147_483_647;
      return drawn >> 12;
    });
    const large = { ...held(pull(SHED, 1, 1)), bytes };
    const rooms = Array.from({ length: 5 }, () => recorder.hold([large]));
    expect(rooms).toEqual(["ample", "ample", "little", "little", "none"]);
    expect(recorder.takeUpHeld().datagrams).toHaveLength(4);
  });
});
