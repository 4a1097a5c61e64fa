/**
 * Which of the keys at hand opens a join-accept? Every candidate is judged by the MIC inside.
 * Source: LoRaWAN 1.1, section 6.2.3 and table 14; LoRaWAN 1.0.2, section 6.2.5.
 */
import {
  carriesMic,
  decodeJoinAcceptContent,
  type JoinAcceptContent,
  type JoinContext,
  joinAcceptMic,
  joinAcceptMicOptNeg,
  openJoinAccept,
} from "./join-accept.ts";
import type { FrameFacts, LorawanKeys } from "./lorawan-keys.ts";
import { deriveJoinServerKeys } from "./session-keys.ts";

export interface UnlockedJoinAccept {
  /** true: proved; false: no key at hand fits; null: no key, or its MIC needs facts that are missing. */
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
