/**
 * What does a join-accept say once its key is known, and is it genuine?
 * Sources: LoRaWAN 1.1, section 6.2.3 (figure 45, table 14); RP002-1.0.5, section 3.3.1 (CFList).
 * A join-accept is encrypted with the AES *decrypt* operation, so its reader applies AES encrypt.
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";
import { deriveJoinServerKeys } from "./frame-mic.ts";
import {
  aesDecryptBlocks,
  aesEncryptBlocks,
  type FrameFacts,
  type LorawanKeys,
  mic,
} from "./lorawan-keys.ts";
import {
  identifierAt,
  joinOctets,
  littleEndian,
  octet,
  octetsOfHex,
  putIdentifier,
  putLittleEndian,
  sameOctets,
} from "./octets.ts";

export type CfList =
  | { readonly type: 0; readonly frequenciesHz: readonly number[] }
  /** ChMask0 to ChMask4, 16 channels each. The layout is from memory, confirmed by one vector. */
  | { readonly type: 1; readonly channelMasks: readonly number[] }
  | { readonly type: number; readonly unknownHex: string };

/** The clear content of a join-accept. */
export interface JoinAcceptContent {
  /** 6 upper-case hex digits; AppNonce before 1.1. */
  readonly joinNonce: string;
  readonly netId: string;
  readonly devAddr: DevAddr;
  readonly dlSettings: number;
  /** The network speaks 1.1; RFU in 1.0.x. */
  readonly optNeg: boolean;
  readonly rx1DrOffset: number;
  readonly rx2DataRate: number;
  /** As sent, 0 to 15; 0 means 1 s. */
  readonly rxDelay: number;
  readonly rxDelaySeconds: number;
  readonly cfList: CfList | null;
  readonly mic: Uint8Array;
}

/** To what a join-accept answers; needed for its MIC when OptNeg is 1. */
export interface JoinContext {
  /** FF for a join-request, else the type of the rejoin-request. */
  readonly joinReqType: 0xff | 0 | 1 | 2;
  readonly joinEui: Eui;
  /** DevNonce, or RJcount when a rejoin is answered. */
  readonly devNonce: number;
}

/**
 * The clear octets, MHDR first, of an encrypted join-accept. Key: AppKey (1.0), NwkKey (1.1), JSEncKey when it
 * answers a rejoin. A wrong key gives noise: check the MIC before believing any of it.
 */
export function openJoinAccept(key: Uint8Array, phyPayload: Uint8Array): Uint8Array {
  return joinOctets(phyPayload.subarray(0, 1), aesEncryptBlocks(key, phyPayload.subarray(1)));
}

/** The PHYPayload of clear join-accept octets (MHDR first, MIC last). */
export function sealJoinAccept(key: Uint8Array, clear: Uint8Array): Uint8Array {
  return joinOctets(clear.subarray(0, 1), aesDecryptBlocks(key, clear.subarray(1)));
}

/** Reads clear join-accept octets (MHDR first) of 17 or 33 octets; null at any other length. */
export function decodeJoinAcceptContent(clear: Uint8Array): JoinAcceptContent | null {
  if (clear.length !== 17 && clear.length !== 33) return null;
  // LoRaWAN 1.1, section 6.2.3: DLSettings = OptNeg 7, RX1DROffset 6-4, RX2DataRate 3-0; RxDelay in bits 3-0.
  const dlSettings = octet(clear, 11);
  const rxDelay = octet(clear, 12) & 0x0f;
  return {
    joinNonce: identifierAt(clear, 1, 3),
    netId: identifierAt(clear, 4, 3),
    devAddr: identifierAt(clear, 7, 4),
    dlSettings,
    optNeg: (dlSettings & 0x80) !== 0,
    rx1DrOffset: (dlSettings >> 4) & 0x07,
    rx2DataRate: dlSettings & 0x0f,
    rxDelay,
    rxDelaySeconds: Math.max(1, rxDelay),
    cfList: clear.length === 33 ? decodeCfList(clear.subarray(13, 29)) : null,
    mic: clear.subarray(clear.length - 4),
  };
}

/** The clear octets of a join-accept, MHDR first, with the MIC given. */
export function encodeJoinAcceptContent(
  content: Pick<JoinAcceptContent, "joinNonce" | "netId" | "devAddr" | "dlSettings" | "rxDelay" | "cfList">,
  micOctets: Uint8Array,
): Uint8Array {
  const head = new Uint8Array(13);
  head[0] = 0x20;
  putIdentifier(head, 1, 3, content.joinNonce);
  putIdentifier(head, 4, 3, content.netId);
  putIdentifier(head, 7, 4, content.devAddr);
  head[11] = content.dlSettings;
  head[12] = content.rxDelay & 0x0f;
  const cfList = content.cfList === null ? new Uint8Array(0) : encodeCfList(content.cfList);
  return joinOctets(head, cfList, micOctets.subarray(0, 4));
}

/** MIC with OptNeg 0: over the clear octets alone, with AppKey (1.0) or NwkKey (1.1). */
export function joinAcceptMic(key: Uint8Array, clear: Uint8Array): Uint8Array {
  return mic(key, clear.subarray(0, -4));
}

/** MIC with OptNeg 1: JoinReqType, JoinEUI and DevNonce go before the clear octets; the key is JSIntKey. */
export function joinAcceptMicOptNeg(
  jsIntKey: Uint8Array,
  clear: Uint8Array,
  context: JoinContext,
): Uint8Array {
  const before = new Uint8Array(11);
  before[0] = context.joinReqType;
  putIdentifier(before, 1, 8, context.joinEui);
  putLittleEndian(before, 9, 2, context.devNonce);
  return mic(jsIntKey, joinOctets(before, clear.subarray(0, -4)));
}

/** Whether clear join-accept octets carry the MIC expected. */
export function carriesMic(clear: Uint8Array, expected: Uint8Array): boolean {
  return sameOctets(clear.subarray(-4), expected);
}

function decodeCfList(bytes: Uint8Array): CfList {
  const type = octet(bytes, 15);
  // RP002-1.0.5, section 3.3.1: five frequencies in units of 100 Hz, 0 for a channel not used.
  if (type === 0) {
    return { type, frequenciesHz: [0, 3, 6, 9, 12].map((at) => littleEndian(bytes, at, 3) * 100) };
  }
  if (type === 1) return { type, channelMasks: [0, 2, 4, 6, 8].map((at) => littleEndian(bytes, at, 2)) };
  return { type, unknownHex: identifierAt(bytes, 0, 15) };
}

function encodeCfList(cfList: CfList): Uint8Array {
  const bytes = new Uint8Array(16);
  bytes[15] = cfList.type;
  if ("frequenciesHz" in cfList) {
    for (const [index, frequencyHz] of cfList.frequenciesHz.slice(0, 5).entries()) {
      putLittleEndian(bytes, index * 3, 3, Math.round(frequencyHz / 100));
    }
  } else if ("channelMasks" in cfList) {
    for (const [index, mask] of cfList.channelMasks.slice(0, 5).entries()) {
      putLittleEndian(bytes, index * 2, 2, mask);
    }
  } else {
    bytes.set((octetsOfHex(cfList.unknownHex) ?? new Uint8Array(0)).subarray(0, 15).reverse());
  }
  return bytes;
}

// Which of the keys available opens a join-accept? Every candidate is judged by the MIC inside.
// Source: LoRaWAN 1.1, section 6.2.3 and table 14; LoRaWAN 1.0.2, section 6.2.5.

export interface UnlockedJoinAccept {
  /** true: proved; false: no key available fits; null: no key, or its MIC needs facts that are missing. */
  readonly valid: boolean | null;
  /** Clear octets, MHDR first; null when nothing could be read. */
  readonly clear: Uint8Array | null;
  readonly content: JoinAcceptContent | null;
  readonly notes: readonly string[];
}

const LOCKED: UnlockedJoinAccept = { valid: null, clear: null, content: null, notes: [] };
const JOIN_REQ_TYPES = [0xff, 0, 1, 2] as const;

/** Opens a join-accept with AppKey, NwkKey or JSEncKey, whichever is at hand and proves right. */
export function unlockJoinAccept(
  phyPayload: Uint8Array,
  given: LorawanKeys,
  facts: FrameFacts = {},
): UnlockedJoinAccept {
  const keys = withJoinServerKeys(given, facts);
  const openers = [keys.appKey, keys.nwkKey, keys.jsEncKey].filter((key) => key !== undefined);
  if (openers.length === 0) return LOCKED;
  const readings = openers.map((key) => {
    const clear = openJoinAccept(key, phyPayload);
    return { clear, content: decodeJoinAcceptContent(clear), ...judge(key, clear, keys, facts) };
  });
  const best = readings.find((reading) => reading.valid === true);
  if (best !== undefined) return best;
  const [only] = readings;
  // With one key and a MIC that cannot be checked the reading is shown, marked; noise is never chosen among several.
  if (readings.length === 1 && only !== undefined && only.valid === null) return only;
  const open = readings.find((reading) => reading.valid === null);
  if (open === undefined) return { ...LOCKED, valid: false };
  return { ...LOCKED, notes: ["several keys, and none could be proved", ...open.notes] };
}

function judge(
  opener: Uint8Array,
  clear: Uint8Array,
  keys: LorawanKeys,
  facts: FrameFacts,
): { valid: boolean | null; notes: readonly string[] } {
  // OptNeg 0, or a 1.0 device whose network leaves the RFU bit set: the MIC is over the clear octets alone.
  if (carriesMic(clear, joinAcceptMic(opener, clear))) return { valid: true, notes: [] };
  if (decodeJoinAcceptContent(clear)?.optNeg !== true) {
    // A rejoin may be answered with OptNeg 0 as well: opened with JSEncKey, signed with NwkKey.
    const nwkKey = keys.nwkKey;
    const valid = nwkKey !== undefined && carriesMic(clear, joinAcceptMic(nwkKey, clear));
    return { valid, notes: [] };
  }
  const { jsIntKey } = keys;
  const { joinEui, devNonce, joinReqType } = facts;
  if (jsIntKey === undefined || joinEui === undefined || devNonce === undefined) {
    const note = "the MIC was not checked: with OptNeg it needs JSIntKey, JoinEUI and DevNonce";
    return { valid: null, notes: [note] };
  }
  const types = joinReqType === undefined ? JOIN_REQ_TYPES : [joinReqType];
  const fits = types.find((type) => {
    const context: JoinContext = { joinReqType: type, joinEui, devNonce };
    return carriesMic(clear, joinAcceptMicOptNeg(jsIntKey, clear, context));
  });
  if (fits === undefined) return { valid: false, notes: [] };
  return {
    valid: true,
    notes: [fits === 0xff ? "answers a join-request" : `answers a rejoin-request of type ${fits}`],
  };
}

function withJoinServerKeys(keys: LorawanKeys, facts: FrameFacts): LorawanKeys {
  if (keys.nwkKey === undefined || facts.devEui === undefined) return keys;
  return { ...deriveJoinServerKeys(keys.nwkKey, facts.devEui), ...keys };
}
