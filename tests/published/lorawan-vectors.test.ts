/**
 * Do the decoders and the cryptography agree with published vectors? One test an entry, named by its id and source.
 * Source: beside each entry of tests/data/published/lorawan-vectors.json; MASTLOG_VECTORS names another file of the
 * same form. An entry of a type, or with an expected key, that this test does not know fails.
 */
import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { decodeBeacon } from "../../src/wire/lorawan/beacon.ts";
import { readDevAddr } from "../../src/wire/lorawan/device-address.ts";
import { explainPayload } from "../../src/wire/lorawan/explain-payload.ts";
import {
  deriveJoinServerKeys,
  deriveSessionKeys10,
  deriveSessionKeys11,
  deriveSessionKeys11OptNeg0,
} from "../../src/wire/lorawan/frame-mic.ts";
import { decodeJoinAcceptContent } from "../../src/wire/lorawan/join-accept.ts";
import { KEY_NAMES, type LorawanKeys } from "../../src/wire/lorawan/lorawan-keys.ts";
import { hexOf, octetsOfHex } from "../../src/wire/lorawan/octets.ts";
import { decodePhyPayload, encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";

type Json = string | number | boolean | null | readonly Json[] | { readonly [key: string]: Json };

interface Vector {
  readonly id: string;
  readonly type: string;
  readonly lorawan?: string;
  readonly source: string;
  readonly phyPayloadHex: string;
  readonly keys?: Readonly<Record<string, string>>;
  readonly fCnt32?: number;
  readonly params?: Readonly<Record<string, string | number>>;
  readonly expected: Readonly<Record<string, Json>>;
  readonly verifiedHere: readonly string[];
}

const file =
  process.env.MASTLOG_VECTORS ?? new URL("../data/published/lorawan-vectors.json", import.meta.url);
const { vectors } = JSON.parse(readFileSync(file, "utf8")) as { vectors: readonly Vector[] };

const DATA_TYPES = ["UnconfirmedDataUp", "UnconfirmedDataDown", "ConfirmedDataUp", "ConfirmedDataDown"];

/** What this project answers for a vector, under the vector file's own names. */
function answerOf(vector: Vector): Readonly<Record<string, unknown>> {
  const bytes = octetsOfHex(vector.phyPayloadHex) ?? new Uint8Array(0);
  if (DATA_TYPES.includes(vector.type)) return dataAnswer(vector, bytes);
  switch (vector.type) {
    case "JoinRequest":
    case "RejoinRequest":
      return joinAnswer(vector, bytes);
    case "JoinAccept":
      return joinAcceptAnswer(vector, bytes);
    case "Proprietary":
      return proprietaryAnswer(vector, bytes);
    case "KeyDerivation":
      return derivedKeys(vector, param(vector, "joinNonce"), param(vector, "netId"));
    case "ClassBBeacon":
      return beaconAnswer(bytes);
    case "malformed":
      return { error: explain(vector, bytes).error };
    default:
      throw new Error(`a vector of type ${vector.type} is not known to this test`);
  }
}

function explain(vector: Vector, bytes: Uint8Array) {
  const { fCnt32, params = {} } = vector;
  const facts = {
    ...params,
    ...(fCnt32 === undefined ? {} : { fCntHigh: Math.floor(fCnt32 / 65536) }),
    ...(typeof params.joinEui === "string" ? { joinEui: params.joinEui.toUpperCase() } : {}),
    ...(typeof params.devEui === "string" ? { devEui: params.devEui.toUpperCase() } : {}),
  };
  return explainPayload({ bytes, keys: keysOf(vector), facts });
}

function dataAnswer(vector: Vector, bytes: Uint8Array): Readonly<Record<string, unknown>> {
  const answer = explain(vector, bytes);
  expectSound(vector, bytes, answer.messageType, answer.micValid);
  if (vector.fCnt32 !== undefined && answer.micValid === true) expect(answer.fCnt32).toBe(vector.fCnt32);
  return {
    mtype: answer.messageType,
    devAddr: answer.devAddr,
    fCnt16: answer.fCnt,
    fPort: answer.fPort,
    fCtrl: answer.fCtrl,
    fOptsRaw: answer.fOptsHex ?? "",
    // In a frame of 1.0 FOpts are in clear already.
    fOptsPlain: answer.fOptsDecryptedHex ?? answer.fOptsHex ?? "",
    frmPayloadRaw: answer.frmPayloadHex,
    frmPayloadPlain: answer.decryptedHex,
    frmPayloadAscii: answer.decryptedText,
    mic: answer.micHex,
    micValid: answer.micValid,
    macCommands: answer.macCommands,
    netIdType: readDevAddr(answer.devAddr ?? "").type,
  };
}

function joinAnswer(vector: Vector, bytes: Uint8Array): Readonly<Record<string, unknown>> {
  const { micHex: mic, messageType: mtype, ...answer } = explain(vector, bytes);
  expectSound(vector, bytes, mtype, answer.micValid);
  return { ...answer, mtype, mic };
}

function joinAcceptAnswer(vector: Vector, bytes: Uint8Array): Readonly<Record<string, unknown>> {
  const { micHex: mic, messageType: mtype, optNeg, devAddr, ...answer } = explain(vector, bytes);
  expectSound(vector, bytes, mtype, answer.micValid);
  const clear = octetsOfHex(answer.decryptedHex ?? "");
  expect(clear === null ? null : decodeJoinAcceptContent(clear)?.devAddr).toBe(devAddr);
  const netIdType = readDevAddr(devAddr ?? "").type;
  const numbers = { optNeg: optNeg === true ? 1 : 0, netIdType };
  const keys =
    "sessionKeys" in vector.expected
      ? derivedKeys(vector, answer.joinNonce ?? "", answer.netId ?? "", optNeg)
      : {};
  return { ...answer, ...numbers, ...keys, devAddr, mtype, mic };
}

function proprietaryAnswer(vector: Vector, bytes: Uint8Array): Readonly<Record<string, unknown>> {
  const { payloadHex: payload, messageType: mtype } = explain(vector, bytes);
  expectSound(vector, bytes, mtype, undefined);
  return { mtype, payload };
}

/** Where the vector gives what a check needs, the MIC must verify; and what was read must encode to the same octets. */
function expectSound(
  vector: Vector,
  bytes: Uint8Array,
  messageType: string | null,
  micValid: boolean | undefined,
): void {
  expect(messageType).toBe(vector.type);
  if (vector.verifiedHere.includes("micValid") || "micValid" in vector.expected) {
    expect(micValid).toBe(vector.expected.micValid ?? true);
  }
  if (micValid === false) expect(vector.expected.micValid).toBe(false);
  const decoded = decodePhyPayload(bytes);
  expect(decoded.ok && hexOf(encodePhyPayload(decoded.value))).toBe(hexOf(bytes));
}

function derivedKeys(
  vector: Vector,
  joinNonce: string,
  netId: string,
  optNeg: boolean | undefined = vector.lorawan === "1.1" && "joinEui" in (vector.params ?? {}),
): Readonly<Record<string, unknown>> {
  const { appKey, nwkKey } = keysOf(vector);
  const devNonce = Number(vector.params?.devNonce ?? 0);
  const answer: Record<string, unknown> = {};
  if (nwkKey !== undefined && param(vector, "devEui") !== "") {
    answer.joinServerKeys = hexEach(deriveJoinServerKeys(nwkKey, param(vector, "devEui")));
  }
  if (optNeg && nwkKey !== undefined) {
    const join = { joinNonce, devNonce, joinEui: param(vector, "joinEui") };
    answer.sessionKeys = hexEach(deriveSessionKeys11({ nwkKey, appKey: appKey ?? nwkKey }, join));
  } else if (nwkKey !== undefined && netId !== "") {
    const keys = deriveSessionKeys11OptNeg0(nwkKey, { joinNonce, netId, devNonce });
    answer.sessionKeys = hexEach({ ...keys, nwkSKey: keys.fNwkSIntKey });
  } else if (appKey !== undefined && netId !== "") {
    answer.sessionKeys = hexEach(deriveSessionKeys10(appKey, { joinNonce, netId, devNonce }));
  }
  return answer;
}

function beaconAnswer(bytes: Uint8Array): Readonly<Record<string, unknown>> {
  const decoded = decodeBeacon(bytes);
  if (!decoded.ok) throw new Error(decoded.fault.reason);
  const { gpsSeconds: time, latitudeRaw: latRaw, longitudeRaw: lonRaw, ...rest } = decoded.value;
  return { ...rest, time, latRaw, lonRaw };
}

function keysOf(vector: Vector): LorawanKeys {
  const entries = Object.entries(vector.keys ?? {}).map(([name, hex]) => {
    if (!KEY_NAMES.some((known) => known === name))
      throw new Error(`a key named ${name} is not known to this test`);
    return [name, octetsOfHex(hex)] as const;
  });
  return Object.fromEntries(entries) as LorawanKeys;
}

function param(vector: Vector, name: string): string {
  return String(vector.params?.[name] ?? "");
}

function hexEach(keys: object): Record<string, string> {
  return Object.fromEntries(Object.entries(keys).map(([name, key]) => [name, hexOf(key as Uint8Array)]));
}

/** Hex in either case is the same answer; everything else must be equal. */
function fold(value: unknown): unknown {
  if (typeof value === "string") return value.toLowerCase();
  return value;
}

function expectAnswer(id: string, expected: Json | undefined, actual: unknown): void {
  if (Array.isArray(expected)) {
    expect(Array.isArray(actual) ? actual.length : actual, id).toBe(expected.length);
    for (const [index, item] of expected.entries()) {
      expectAnswer(`${id}[${index}]`, item, (actual as unknown[])[index]);
    }
  } else if (typeof expected === "object" && expected !== null) {
    for (const [key, item] of Object.entries(expected)) {
      const fields = (actual ?? {}) as Record<string, unknown>;
      if (!(key in fields)) throw new Error(`${id}.${key} is expected, and this test has no answer for it`);
      expectAnswer(`${id}.${key}`, item, fields[key]);
    }
  } else {
    expect(fold(actual), id).toBe(fold(expected));
  }
}

describe("published LoRaWAN vectors", () => {
  test("the file holds vectors", () => {
    expect(vectors.length).toBeGreaterThan(0);
  });

  test.each(vectors.map((vector) => [vector.id, vector.source, vector] as const))(
    "%s (%s)",
    (_id, _source, vector) => {
      expect(Object.keys(vector.expected).length).toBeGreaterThan(0);
      expectAnswer(vector.id, vector.expected, answerOf(vector));
    },
  );

  test("an entry of a type nobody knows fails", () => {
    const stranger = { ...(vectors[0] as Vector), type: "Telegram" };
    expect(() => answerOf(stranger)).toThrow("Telegram");
  });

  test("an expected key that nobody knows fails", () => {
    const [vector] = vectors as readonly [Vector];
    expect(() => expectAnswer("x", { colour: "red" }, answerOf(vector))).toThrow("colour");
  });
});
