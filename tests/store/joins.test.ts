import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { describe, expect, it, onTestFinished } from "vitest";
import { CaptureImport } from "../../src/intake/capture-import.ts";
import type { NodeKeysEntry } from "../../src/ledger/keys/file.ts";
import type { Arrival } from "../../src/model/datagram.ts";
import { addKeys, listKeys, removeKeys } from "../../src/store/keys.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { encodeRecordedDatagram } from "../../src/wire/capture/recorded-datagrams.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { encodePullResponse } from "../../src/wire/forwarder/encode.ts";
import { deriveSessionKeys10, joinMic, splitMic } from "../../src/wire/lorawan/frame-mic.ts";
import {
  encodeJoinAcceptContent,
  joinAcceptMic,
  sealJoinAccept,
} from "../../src/wire/lorawan/join-accept.ts";
import { encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { frame10 } from "../ledger/keyed-frames.ts";
import { arrivalOf, phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const APP_KEY = Uint8Array.from({ length: 16 }, (_, i) => 0x51 + i * 5);
const DEVICE = "02005E1000000A01";
const ADDRESSES = ["0101AA01", "0101AA02", "0101AA03"] as const;
const NET_ID = "000001";

type Item = DecodedArrival | DownlinkArrival;

const ROOT: NodeKeysEntry = {
  devAddr: null,
  devEui: DEVICE,
  counterBits: 32,
  note: null,
  keys: { appKey: APP_KEY },
};

function request(devNonce: number): Uint8Array {
  const octets = encodePhyPayload({
    messageType: "JoinRequest",
    direction: "up",
    joinEui: "02005E1000000201",
    devEui: DEVICE,
    devNonce,
    mic: new Uint8Array(4),
    rfuBits: 0,
  }).slice();
  octets.set(joinMic(APP_KEY, splitMic(octets).message).subarray(0, 4), octets.length - 4);
  return octets;
}

function accept(devAddr: string, joinNonce: string): Uint8Array {
  const content = { joinNonce, netId: NET_ID, devAddr, dlSettings: 3, rxDelay: 5, cfList: null };
  const clear = encodeJoinAcceptContent(content, new Uint8Array(4));
  return sealJoinAccept(APP_KEY, encodeJoinAcceptContent(content, joinAcceptMic(APP_KEY, clear)));
}

/** The server hands a packet to the gateway that calls from where all test gateways do, to be sent at `sendS`. */
function handOut(atS: number, sendS: number, payload: Uint8Array): DownlinkArrival {
  const bytes = encodePullResponse({
    version: 2,
    token: 77,
    transmission: {
      moment: { kind: "counter", tmstUs: Math.round(sendS * 1e6) },
      frequencyHz: 868_300_000,
      rfChain: 0,
      powerDbm: 14,
      modulation: { kind: "lora", spreadingFactor: 9, bandwidthHz: 125_000, codingRate: "4/5" },
      frequencyDeviationHz: null,
      invertedPolarity: true,
      preamble: null,
      payload,
      withoutCrc: false,
      implicitHeader: false,
    },
  });
  const up = arrivalOf(bytes, START_US + Math.round(atS * 1e6));
  const arrival: Arrival = { ...up, from: up.to, to: up.from };
  return { arrival, downlink: decodeDownstream(bytes) };
}

/** A device that joins three times, each time under a new address, ten frames a session; strangers around it. */
function threeSessions(): Item[] {
  const all: Item[] = [pull(SHED, 0)];
  ADDRESSES.forEach((devAddr, n) => {
    const atS = 100 + n * 2_000;
    const joinNonce = `0A0B0${n}`;
    all.push(push(SHED, atS, [{ payload: request(n + 1) }]));
    all.push(handOut(atS + 0.4, atS + 5, accept(devAddr, joinNonce)));
    const { nwkSKey } = deriveSessionKeys10(APP_KEY, { joinNonce, netId: NET_ID, devNonce: n + 1 });
    for (let i = 0; i < 10; i++) {
      const { octets } = frame10(nwkSKey, { counter: i, devAddr });
      all.push(push(SHED, atS + 60 + i * 60, [{ payload: octets }]));
      all.push(push(TOWER, atS + 75 + i * 60, [{ payload: phy(devAddr, 5_000 + i) }]));
    }
  });
  return all;
}

const LIVES = `SELECT printf('%08X', dev_addr) AS devAddr, begun_by AS begunBy, dev_eui AS devEui, proof, reason,
  first_counter AS first, last_counter AS last, heard FROM life WHERE key_id IS NOT NULL ORDER BY first_at_us`;
const FOLLOWED = ADDRESSES.map((devAddr) => ({
  devAddr,
  begunBy: "join",
  devEui: DEVICE,
  proof: "mic",
  reason: `counter began at 0 in the session that ${DEVICE} joined`,
  first: 0,
  last: 9,
  heard: 10,
}));

function rows(store: Store, sql: string): unknown[] {
  return store.prepare(sql).all();
}

describe("a device whose root keys are held", () => {
  it("is followed by itself across its new addresses, its lives linked in time order", () => {
    const store = openStore(":memory:");
    const recorder = new Recorder(store);
    recorder.write((db) => addKeys(db, [ROOT]));
    for (const item of threeSessions()) recorder.record([item]);
    expect(rows(store, LIVES)).toEqual(FOLLOWED);
    expect(rows(store, "SELECT count(*) AS n FROM downlink WHERE gateway_id > 0")).toEqual([{ n: 3 }]);
    expect(listKeys(store).map(({ devAddr, origin, holds }) => ({ devAddr, origin, holds }))).toEqual([
      { devAddr: null, origin: "person", holds: ["appKey"] },
      ...ADDRESSES.map((devAddr) => ({ devAddr, origin: "join", holds: ["nwkSKey", "appSKey"] })),
    ]);
    // The strangers on its addresses stay strangers.
    expect(rows(store, "SELECT sum(heard) AS n FROM life WHERE key_id IS NULL")).toEqual([{ n: 30 }]);
  });

  it("is followed when its keys come after all of that, and when everything is derived again", () => {
    const store = openStore(":memory:");
    const recorder = new Recorder(store);
    recorder.record(threeSessions());
    expect(rows(store, LIVES)).toEqual([]);
    recorder.write((db) => addKeys(db, [ROOT]));
    recorder.settle();
    expect(rows(store, LIVES)).toEqual(FOLLOWED);
    rebuild(store, () => undefined);
    expect(rows(store, LIVES)).toEqual(FOLLOWED);
    expect(recorder.write((db) => removeKeys(db, { devEui: DEVICE }))).toBe(4);
    recorder.settle();
    expect(rows(store, LIVES)).toEqual([]);
    expect(rows(store, "SELECT * FROM node_key")).toEqual([]);
  });

  it("is followed in whichever order and batches requests, answers and frames are read, and if read twice", () => {
    const items = threeSessions();
    fc.assert(
      fc.property(
        fc.array(fc.nat(), { minLength: 70, maxLength: 70 }),
        fc.integer({ min: 1, max: 70 }),
        (order, batch) => {
          const store = openStore(":memory:");
          const recorder = new Recorder(store);
          recorder.write((db) => addKeys(db, [ROOT]));
          const shuffled = items
            .map((item, i) => ({ item, by: order[i % order.length] ?? 0, i }))
            .sort((a, b) => a.by - b.by || a.i - b.i)
            .map(({ item }) => item);
          for (const reading of [shuffled, items]) {
            for (let i = 0; i < reading.length; i += batch) recorder.record(reading.slice(i, i + batch));
          }
          expect(rows(store, LIVES)).toEqual(FOLLOWED);
          store.close();
        },
      ),
      { numRuns: 8 },
    );
  });

  it("is not followed by a join-accept for another device, or one that answers nothing", () => {
    const store = openStore(":memory:");
    const recorder = new Recorder(store);
    recorder.write((db) => addKeys(db, [ROOT]));
    const foreign = accept(ADDRESSES[0], "0A0B00").map((octet, i) => (i === 8 ? octet ^ 1 : octet));
    recorder.record([
      pull(SHED, 0),
      push(SHED, 100, [{ payload: request(1) }]),
      handOut(100.4, 105, foreign),
      handOut(500, 505, accept(ADDRESSES[0], "0A0B00")),
    ]);
    expect(listKeys(store).map(({ origin }) => origin)).toEqual(["person"]);
  });

  it("is followed from a capture file, downlinks and all, through the import", async () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-"));
    onTestFinished(() => rmSync(folder, { recursive: true }));
    const path = join(folder, "site.jsonl");
    const lines = threeSessions().map(({ arrival }) => encodeRecordedDatagram(arrival));
    writeFileSync(path, lines.join(""));
    const store = openStore(":memory:");
    const recorder = new Recorder(store);
    recorder.write((db) => addKeys(db, [ROOT]));
    const reading = new CaptureImport({
      recorder,
      nowUs: () => START_US,
      pause: async () => undefined,
      waitMs: () => Promise.resolve(),
      onProgress: () => undefined,
      onRecorded: () => undefined,
    });
    const { figures } = await reading.read(path, "site.jsonl", () => undefined);
    expect(figures.refused).toBe(0);
    expect(rows(store, LIVES)).toEqual(FOLLOWED);
  });
});
