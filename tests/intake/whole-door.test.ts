/**
 * Can one datagram do more harm than be refused? Octets go through the whole door: received, decoded, recorded in a real
 * store, answered; from a socket, as a relay's copy, from a capture.
 */
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import * as fc from "fast-check";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { CaptureImport } from "../../src/intake/capture-import.ts";
import { Listener, type ListenerClock } from "../../src/intake/listener.ts";
import { RecordingQueue } from "../../src/intake/recording-queue.ts";
import type { Arrival } from "../../src/model/datagram.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";
import { answerFor } from "../../src/wire/forwarder/header.ts";
import { arrivalOf, phy, push, SHED, START_US } from "../store/traffic.ts";
import { anyPullResponse, anyPush, anyTxAck } from "../wire/forwarder/any-json.ts";
import { holds } from "../wire/forwarder/arbitraries.ts";
import { pushPacket, pushRaw } from "../wire/forwarder/datagrams.ts";
import { UnreadableOctets } from "../wire/forwarder/unreadable-octets.ts";

/** Timers never come due: what waits is recorded when the test drains. */
const stillClock: ListenerClock = { monotonicMs: () => 0, after: () => undefined, soon: () => undefined };

type RecordOf = Pick<Recorder, "record">;

function openDoor(wrap: (recorder: Recorder) => RecordOf = (recorder) => recorder) {
  const db = openStore(":memory:");
  const answers: Uint8Array[] = [];
  const queue = new RecordingQueue({
    recorder: wrap(new Recorder(db)),
    clock: stillClock,
    onRecorded: () => undefined,
    onStored: (count) => listener.stored(count),
  });
  const listener = new Listener({
    clock: stillClock,
    post: (datagrams) => {
      for (const datagram of datagrams) queue.take(datagram);
    },
    isOwnEndpoint: () => false,
  });
  const intake = {
    drain: () => {
      listener.handOverAll();
      queue.drain(Number.POSITIVE_INFINITY);
    },
    figures: () => ({ ...listener.figures(), ...queue.figures() }),
  };
  const receive = (arrival: Arrival) => listener.receive(arrival, (answer) => answers.push(answer));
  const take = (bytes: Uint8Array, way: "up" | "down", atUs = START_US) =>
    queue.takeCopy({ ...arrivalOf(bytes, atUs), way, gatewayEui: way === "down" ? SHED : null });
  return { db, intake, answers, receive, take };
}

const numberIn = (db: Store, sql: string): number => Number(db.prepare(sql).pluck().get());

/** Every datagram that came in: a row of `datagram`, or counted as refused under no gateway. */
const accounted = (db: Store): number =>
  numberIn(db, "SELECT count(*) FROM datagram WHERE gateway_id > 0") +
  numberIn(
    db,
    "SELECT coalesce(sum(count), 0) FROM refusal WHERE gateway_id = 0 AND refused = 1 AND substr(reason, 1, 9) <> 'downlink_'",
  );

/** Every PULL_RESP that passed: a row of `downlink`, or counted as not used. */
const accountedDown = (db: Store): number =>
  numberIn(db, "SELECT count(*) FROM downlink") +
  numberIn(
    db,
    "SELECT coalesce(sum(count), 0) FROM refusal WHERE substr(reason, 1, 9) = 'downlink_' AND refused = 1",
  );

const internal = (db: Store) => ({
  count: numberIn(
    db,
    "SELECT coalesce(sum(count), 0) FROM refusal WHERE reason = 'internal' AND refused = 1",
  ),
  samples: numberIn(db, "SELECT count(*) FROM refusal_sample WHERE reason = 'internal' AND size > 0"),
});

const uplink = (atS: number): Arrival => ({
  ...push(SHED, atS, [{ payload: phy("01A2B3C4", atS) }], atS).arrival,
  door: "udp",
});
const hostile = (token: number): Arrival => {
  const bytes = pushRaw("time", '{"toString":0}');
  bytes.set([token >> 8, token & 255], 1);
  return arrivalOf(bytes, START_US + token * 1e6, "udp");
};

/** A recorder with a fault of ours: it breaks at each datagram whose token is 666, in whichever batch. */
const breaking =
  (error: Error) =>
  (recorder: Recorder): RecordOf => ({
    record: (batch, options) => {
      const isHit = batch.some((item) => {
        const decoding = "downlink" in item ? item.downlink : item.decoding;
        return decoding.ok && decoding.datagram.token === 666;
      });
      if (isHit) throw error;
      return recorder.record(batch, options);
    },
  });

describe("one datagram at the whole door", () => {
  it("with an object where text belongs is recorded and answered", () => {
    const { db, intake, answers, receive } = openDoor();
    receive(uplink(1));
    receive(hostile(2));
    receive(uplink(3));
    intake.drain();
    expect(answers.map((answer) => [...answer])).toEqual([
      [2, 0, 1, 1],
      [2, 0, 2, 1],
      [2, 0, 3, 1],
    ]);
    expect(numberIn(db, "SELECT count(*) FROM reception")).toBe(3);
    expect(numberIn(db, "SELECT sum(count) FROM refusal WHERE reason = 'time_bad'")).toBe(1);
    expect(internal(db)).toEqual({ count: 0, samples: 0 });
  });

  it("whose FSK bit rate is next to nothing is recorded, without an airtime that no column can hold", () => {
    const { db, intake, receive } = openDoor();
    [5e-324, 0.4, 1].forEach((datr, i) => {
      const bytes = pushPacket({
        modu: "FSK",
        datr,
        codr: undefined,
        tmst: 1_000_000 * i,
        freq: 868.1 + 0.2 * i,
      });
      receive(arrivalOf(bytes, START_US + i));
    });
    intake.drain();
    expect(numberIn(db, "SELECT count(*) FROM reception WHERE typeof(airtime_us) = 'integer'")).toBe(3);
    expect(internal(db)).toEqual({ count: 0, samples: 0 });
  });

  // The clocks of captures and laptops: none, before the program was written, now, and the end of 32-bit seconds.
  const clock = fc.oneof(
    { weight: 4, arbitrary: fc.nat(120_000_000).map((us) => START_US + us) },
    fc.constantFrom(0, 1, 4_294_967_295_999_999, Number.MAX_SAFE_INTEGER),
  );

  it("with any JSON value for any key, at any clock and in any order, is accounted for and answered", () => {
    const up = fc
      .oneof({ weight: 3, arbitrary: anyPush }, anyTxAck)
      .map((bytes) => ({ bytes, way: "up" as const }));
    const down = anyPullResponse.map((bytes) => ({ bytes, way: "down" as const }));
    const traffic = fc.array(fc.tuple(fc.oneof({ weight: 3, arbitrary: up }, down), clock), {
      minLength: 1,
      maxLength: 12,
    });
    holds(
      fc.property(traffic, (datagrams) => {
        const { db, intake, answers, receive, take } = openDoor();
        for (const [{ bytes, way }, atUs] of datagrams) {
          if (way === "up") receive(arrivalOf(bytes, atUs, "udp"));
          else take(bytes, "down");
        }
        intake.drain();
        const sentUp = datagrams.filter(([{ way }]) => way === "up");
        expect(intake.figures()).toMatchObject({ waiting: 0, dropped: 0, storage: "well" });
        expect(answers.length).toBe(sentUp.filter(([{ bytes }]) => answerFor(bytes) !== null).length);
        // The very same octets at the very same microsecond are one row.
        const same = new Set(
          sentUp.map(([{ bytes }, atUs]) => `${atUs} ${Buffer.from(bytes).toString("hex")}`),
        );
        expect(accounted(db)).toBe(same.size);
        expect(internal(db)).toEqual({ count: 0, samples: 0 });
        db.close();
      }),
      { numRuns: 60 },
    );
  });
});

describe("a downlink that cannot be used", () => {
  const response = (body: string, head = [2, 0, 7, 3]) =>
    Uint8Array.from([...head, ...Buffer.from(body, "latin1")]);

  it.each([
    ["without a body", response(""), "downlink_body_empty"],
    ["of broken JSON", response('{"txpk":{"imme":true'), "downlink_json_syntax"],
    ["that is no object", response("[1]"), "downlink_json_root"],
    ["nested too deeply", response(`{"txpk":${'{"a":'.repeat(20)}0${"}".repeat(21)}`), "downlink_json_depth"],
    ["without a packet", response('{"rxpk":[]}'), "downlink_body_unknown"],
    ["with a list of packets", response('{"txpk":[{}]}'), "downlink_body_unknown"],
    ["without payload", response('{"txpk":{"imme":true,"freq":868.1}}'), "downlink_data_empty"],
    ["with an empty payload", response('{"txpk":{"size":0,"data":""}}'), "downlink_data_empty"],
    ["with padding for a payload", response('{"txpk":{"data":"=="}}'), "downlink_data_empty"],
    ["with a payload that is no base64", response('{"txpk":{"data":"a?b"}}'), "downlink_base64"],
    ["with a payload too long", response(`{"txpk":{"data":"${"A".repeat(400)}"}}`), "downlink_data_long"],
    ["of another version", response("{}", [7, 0, 7, 3]), "downlink_version"],
    ["of an unknown kind", response("{}", [2, 0, 7, 9]), "downlink_ident"],
    ["of a gateway's kind", response("{}", [2, 0, 7, 0]), "downlink_direction"],
    ["cut in its head", Uint8Array.of(2, 0, 7), "downlink_short"],
  ])("%s leaves one row with its octets", (_what, bytes, reason) => {
    const { db, intake, take } = openDoor();
    take(bytes, "down");
    intake.drain();
    expect(db.prepare("SELECT reason, refused, count FROM refusal").all()).toEqual([
      { reason, refused: 1, count: 1 },
    ]);
    const sample = db.prepare("SELECT reason, bytes FROM refusal_sample").all() as { bytes: Uint8Array }[];
    expect(sample.map((one) => [...one.bytes])).toEqual([[...bytes]]);
  });

  it("leaves one row, whatever JSON stands for whichever key", () => {
    holds(
      fc.property(fc.array(anyPullResponse, { minLength: 1, maxLength: 20 }), (responses) => {
        const { db, intake, take } = openDoor();
        for (const [i, bytes] of responses.entries()) take(bytes, "down", START_US + i);
        intake.drain();
        expect(accountedDown(db)).toBe(responses.length);
        db.close();
      }),
      { numRuns: 40 },
    );
  });
});

describe("an error of ours at one datagram", () => {
  it("while decoding costs that datagram: it is counted with a sample, and answered", () => {
    const { db, intake, answers, receive, take } = openDoor();
    receive(uplink(1));
    receive({ ...uplink(2), bytes: new UnreadableOctets(uplink(2).bytes) });
    receive(uplink(3));
    take(new UnreadableOctets(uplink(4).bytes), "up");
    intake.drain();
    expect(answers.map((answer) => answer[2])).toEqual([1, 2, 3]);
    expect(numberIn(db, "SELECT count(*) FROM reception")).toBe(2);
    expect(internal(db)).toEqual({ count: 2, samples: 2 });
    expect(accounted(db)).toBe(4);
  });

  it.each([
    ["an error of the recorder", new TypeError("a fault of ours")],
    ["a value that the store does not take", withCode("SQLITE_CONSTRAINT_NOTNULL")],
    ["a sum beyond the store's integers", withCode("SQLITE_ERROR")],
  ])("in the recorder (%s) costs that datagram, and the others are stored", (_what, error) => {
    const { db, intake, answers, receive } = openDoor(breaking(error));
    for (const token of [1, 666, 3]) receive(uplink(token));
    intake.drain();
    expect(answers.length).toBe(3);
    expect(intake.figures()).toMatchObject({ waiting: 0, storage: "well" });
    expect(numberIn(db, "SELECT count(*) FROM reception")).toBe(2);
    expect(internal(db)).toEqual({ count: 1, samples: 1 });
    expect(accounted(db)).toBe(3);
  });

  it("beside a store that is busy leaves the rest waiting, and nothing is counted twice", () => {
    const busy = { now: false };
    const { db, intake, answers, receive } = openDoor((recorder) => ({
      record: (batch, options) => {
        const tokens = batch.map(({ arrival }) => numberOf(arrival));
        if (busy.now && tokens.includes(3) && !tokens.includes(666)) throw withCode("SQLITE_BUSY");
        return breaking(new TypeError("a fault of ours"))(recorder).record(batch, options);
      },
    }));
    for (const token of [1, 666, 3, 4]) receive(uplink(token));
    busy.now = true;
    intake.drain();
    expect(intake.figures()).toMatchObject({ waiting: 2, storage: "slow" });
    expect(answers.length).toBe(2);
    busy.now = false;
    intake.drain();
    expect(intake.figures()).toMatchObject({ waiting: 0, storage: "well" });
    expect(answers.length).toBe(4);
    expect(numberIn(db, "SELECT count(*) FROM reception")).toBe(3);
    expect(internal(db).count).toBe(1);
    expect(accounted(db)).toBe(4);
  });
});

describe("one datagram in a capture", () => {
  let folder = "";
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), "whole-door-"));
  });
  afterAll(() => rmSync(folder, { recursive: true }));

  async function read(arrivals: readonly Arrival[], wrap: (recorder: Recorder) => RecordOf) {
    const writer = createPcapWriter();
    const path = join(folder, "hostile.pcap");
    writeFileSync(path, Buffer.concat([writer.header, ...arrivals.map((one) => writer.datagram(one))]));
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    const imports = new CaptureImport({
      recorder: {
        record: (batch, options) => wrap(recorder).record(batch, options),
        endCapture: () => recorder.endCapture(),
        write: (work) => recorder.write(work),
        workOnGaps: (options) => recorder.workOnGaps(options),
        newestUs: () => recorder.newestUs(),
      },
      nowUs: () => START_US,
      pause: () => Promise.resolve(),
      waitMs: () => Promise.resolve(),
      onProgress: () => undefined,
      onRecorded: () => undefined,
    });
    return { db, figures: (await imports.read(path, "hostile.pcap", () => undefined)).figures };
  }

  it("with an object where text belongs is recorded like the others", async () => {
    const { db, figures } = await read([uplink(1), hostile(2), uplink(3)], (recorder) => recorder);
    expect(figures).toMatchObject({ datagrams: 3, receptions: 3, refused: 0 });
    expect(internal(db).count).toBe(0);
  });

  it("that breaks the recorder is counted, and the rest of the file is read", async () => {
    const wrap = breaking(new TypeError("a fault of ours"));
    const { db, figures } = await read([uplink(1), uplink(666), uplink(3)], wrap);
    expect(figures).toMatchObject({ datagrams: 2, receptions: 2, refused: 1 });
    expect(internal(db)).toEqual({ count: 1, samples: 1 });
  });

  it("is read to its end while another program holds the store now and then", async () => {
    let turns = 0;
    const { db, figures } = await read([uplink(1), uplink(2), uplink(3)], (recorder) => ({
      record: (batch, options) => {
        turns += 1;
        if (turns <= 3) throw withCode("SQLITE_BUSY");
        return recorder.record(batch, options);
      },
    }));
    expect(figures).toMatchObject({ datagrams: 3, receptions: 3, refused: 0 });
    expect(db.prepare("SELECT state, trouble FROM capture").all()).toEqual([
      { state: "done", trouble: null },
    ]);
  });
});

function withCode(code: string): Error {
  return Object.assign(new Error("the store does not take it"), { code });
}

function numberOf({ bytes }: Arrival): number {
  return ((bytes[1] ?? 0) << 8) | (bytes[2] ?? 0);
}
