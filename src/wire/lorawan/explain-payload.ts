/**
 * What can be said about one packet, with the keys available and without guessing? Everything that `mastlog decode` prints.
 * Sources: those of the files it calls. Never throws; keys go in and never come out.
 */

import { describeFault } from "../../model/fault.ts";
import { BEACON_LAYOUTS, type Beacon, decodeBeacon } from "./beacon.ts";
import type { DecodeAnswer } from "./decode-answer.ts";
import { networkOf } from "./device-address.ts";
import { explainDataFrame, recogniseWor } from "./explain-data-frame.ts";
import { type FieldSpan, mapFields } from "./field-map.ts";
import { deriveJoinServerKeys, verifyJoinMic } from "./frame-mic.ts";
import { unlockJoinAccept } from "./join-accept.ts";
import type { FrameFacts, LorawanKeys } from "./lorawan-keys.ts";
import { hexOf, octet } from "./octets.ts";
import { decodePhyPayload, type JoinRequest, MESSAGE_TYPES, type RejoinRequest } from "./phy-payload.ts";

// Which octet of a class B beacon means what? The beacon's counterpart of field-map.ts.
// Source: LoRaWAN 1.1, sections 15.1 and 15.2.

/** Divides a beacon's octets into named spans, each octet in exactly one. */
export function mapBeacon(bytes: Uint8Array, beacon: Beacon): readonly FieldSpan[] {
  const layout = BEACON_LAYOUTS.find(({ name }) => name === beacon.layout);
  if (layout === undefined) return [];
  const spans: FieldSpan[] = [];
  let at = 0;
  const push = (size: number, name: string, note?: string) => {
    const value = hexOf(bytes.subarray(at, at + size));
    if (size > 0) spans.push({ at, size, name, value, ...(note === undefined ? {} : { note }) });
    at += size;
  };
  push(layout.rfu1, "RFU");
  push(1, "Param", `time accurate to ${beacon.precisionSeconds} s`);
  push(4, "Time", `GPS second ${beacon.gpsSeconds}, ${beacon.utc}`);
  push(2, "CRC", beacon.crc1Ok ? "right" : "wrong");
  push(7, "GwSpecific", gatewayNote(beacon));
  push(layout.rfu2, "RFU");
  push(2, "CRC", beacon.crc2Ok ? "right" : "wrong");
  return spans;
}

function gatewayNote(beacon: Beacon): string {
  if (beacon.latitudeDeg === null || beacon.longitudeDeg === null) return `InfoDesc ${beacon.infoDesc}`;
  return `antenna ${beacon.infoDesc} at ${beacon.latitudeDeg.toFixed(4)}°, ${beacon.longitudeDeg.toFixed(4)}°`;
}

/** One packet, with what helps to read it. */
export type ExplainInput = Pick<Packet, "bytes"> & Partial<Packet>;

interface Packet {
  readonly bytes: Uint8Array;
  readonly keys: LorawanKeys;
  readonly facts: FrameFacts;
}

/** Explains one PHYPayload (or class B beacon). `error` is there exactly when it is malformed. */
export function explainPayload({ bytes, keys = {}, facts = {} }: ExplainInput): DecodeAnswer {
  const beacon = explainBeacon(bytes);
  if (beacon !== null) return beacon;
  const decoded = decodePhyPayload(bytes);
  const fields = mapFields(bytes);
  if (!decoded.ok) {
    const wor = recogniseWor(bytes);
    const notes = wor === null ? [] : [`length and header would fit a relay's ${wor.kind} frame`];
    const known = decoded.fault.reason !== "empty" && decoded.fault.reason !== "unsupportedMajor";
    const messageType = known ? (MESSAGE_TYPES[octet(bytes, 0) >> 5] ?? null) : null;
    const { reason: error } = decoded.fault;
    return { messageType, error, errorText: describeFault(decoded.fault), notes, fields };
  }
  const message = decoded.value;
  const packet = { bytes, keys, facts };
  switch (message.messageType) {
    case "JoinRequest":
    case "RejoinRequest":
      return explainJoin(packet, message, fields);
    case "JoinAccept":
      return explainJoinAccept(packet, fields);
    case "Proprietary":
      return {
        messageType: "Proprietary",
        payloadHex: hexOf(message.payload),
        notes: ["proprietary: nothing beyond MHDR is defined"],
        fields,
      };
    default:
      return explainDataFrame({ ...packet, frame: message }, fields);
  }
}

function explainBeacon(bytes: Uint8Array): DecodeAnswer | null {
  const decoded = decodeBeacon(bytes);
  // Two right CRCs: a chance of 2^-32 for any other packet, so they outweigh an octet that looks like MHDR.
  if (!decoded.ok || !decoded.value.crc1Ok || !decoded.value.crc2Ok) return null;
  const beacon = decoded.value;
  return { messageType: "ClassBBeacon", beacon, notes: [], fields: mapBeacon(bytes, beacon) };
}

function explainJoin(
  { bytes, keys, facts }: Packet,
  message: JoinRequest | RejoinRequest,
  fields: readonly FieldSpan[],
): DecodeAnswer {
  const candidates = joinKeys(message, keys, facts);
  const verdict =
    candidates.length === 0 ? {} : { micValid: candidates.some((key) => verifyJoinMic(key, bytes)) };
  const common = { micHex: hexOf(message.mic), ...verdict, notes: [], fields };
  if (message.messageType === "JoinRequest") {
    const { joinEui, devEui, devNonce } = message;
    return { messageType: "JoinRequest", direction: "up", joinEui, devEui, devNonce, ...common };
  }
  const { rejoinType, netId, joinEui, devEui, rjCount } = message;
  return {
    messageType: "RejoinRequest",
    direction: "up",
    rejoinType,
    ...(netId === null ? {} : { netId }),
    ...(joinEui === null ? {} : { joinEui }),
    devEui,
    ...(rejoinType === 1 ? { rjCount1: rjCount } : { rjCount0: rjCount }),
    ...common,
  };
}

/** LoRaWAN 1.1, sections 6.2.2 and 6.2.4: which keys may have signed a join- or rejoin-request. */
function joinKeys(message: JoinRequest | RejoinRequest, keys: LorawanKeys, facts: FrameFacts): Uint8Array[] {
  if (message.messageType === "JoinRequest") return present(keys.appKey, keys.nwkKey);
  if (message.rejoinType !== 1) return present(keys.sNwkSIntKey);
  const devEui = facts.devEui ?? message.devEui;
  const derived = keys.nwkKey === undefined ? undefined : deriveJoinServerKeys(keys.nwkKey, devEui).jsIntKey;
  return present(keys.jsIntKey ?? derived);
}

function explainJoinAccept({ bytes, keys, facts }: Packet, fields: readonly FieldSpan[]): DecodeAnswer {
  const { valid, clear, content, notes } = unlockJoinAccept(bytes, keys, facts);
  const verdict = valid === null ? {} : { micValid: valid };
  const base = { messageType: "JoinAccept", direction: "down", ...verdict, fields } as const;
  if (clear === null || content === null) {
    const encrypted = ["everything after MHDR, MIC included"];
    return { ...base, encrypted, encryptedHex: hexOf(bytes.subarray(1)), notes };
  }
  const { cfList } = content;
  return {
    ...base,
    joinNonce: content.joinNonce,
    netId: content.netId,
    devAddr: content.devAddr,
    network: networkOf(content.devAddr),
    dlSettings: content.dlSettings,
    optNeg: content.optNeg,
    rx1DrOffset: content.rx1DrOffset,
    rx2DataRate: content.rx2DataRate,
    rxDelay: content.rxDelay,
    rxDelaySeconds: content.rxDelaySeconds,
    ...(cfList === null ? {} : { cfListType: cfList.type }),
    ...(cfList !== null && "frequenciesHz" in cfList ? { cfListFrequenciesHz: cfList.frequenciesHz } : {}),
    ...(cfList !== null && "channelMasks" in cfList ? { cfListChMasks: cfList.channelMasks } : {}),
    micHex: hexOf(content.mic),
    decryptedHex: hexOf(clear),
    notes,
  };
}

function present(...keys: readonly (Uint8Array | undefined)[]): Uint8Array[] {
  return keys.filter((key) => key !== undefined);
}
