/**
 * Which full counter does a frame's MIC prove, given a node's keys? And how is such a proof to be used?
 * Sources: LoRaWAN 1.1, section 4.4; LoRaWAN 1.0.2, sections 4.3.1.5 and 4.4.
 *
 * How the accounting (counters.ts) uses verdicts, strongest evidence first:
 * 1. `valid`, whole: the frame is this node's and its counter is known. It beats every guess from time, rhythm and
 *    radio: no MAX_FCNT_GAP, no largest step. Above the last counter it goes on (rollover included). Below it, the
 *    MIC proves the number and not its meaning: see placeCounter. A late arrival fills a hole; content already stored
 *    is a repeat or a replay (proof.ts); anything else is a reset of a node that keeps its session (ABP).
 *    The same 16 bits proved with upper half 0 instead of h + 1 is a reset, unless it is a 16-bit counter that wrapped.
 * 2. A join followed with root keys (joins.ts): its session's first valid frame begins a life `join`. The join
 *    alone begins none, for the node may not have heard the answer.
 * 3. `valid`, half: only two octets were proved. Believe it where the keyless rules would have chosen the same
 *    counter; where they would not, wait for a second such frame (two chance proofs in a row: under 4e-9).
 * 4. `invalid` under every key of the address: a stranger who shares the address, or damage. The frame goes to lives
 *    of its own by the keyless rules, never into a life that proofs have carried, whatever its counter.
 * 5. `unknown`, or no keys: the keyless rules as they stand; they never join a frame to a proved life when a key at
 *    hand could have proved it.
 * `hint.lastCounter` must be the last counter proved for this node (not of the address), downlinks apart from uplinks
 * and, in 1.1, AFCntDown apart from NFCntDown. A node that ever proved an upper half above 0 counts with 32 bits:
 * remember that in NodeKeys.counterBits.
 *
 * Chance: a foreign frame passes one trial with 2^-32, or 2^-16 where half a MIC is checked; each verdict states the
 * trials made and the chance that such a proof is false.
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";
import {
  acknowledged,
  CONF_FCNT_MISSING,
  dataMic10,
  downlinkMic11,
  type FrameIdentity,
  identityOf,
  splitMic,
} from "../../wire/lorawan/frame-mic.ts";
import { KEY_SIZE, type LorawanKeys } from "../../wire/lorawan/lorawan-keys.ts";
import { sameOctets } from "../../wire/lorawan/octets.ts";
import type { DataFrame } from "../../wire/lorawan/phy-payload.ts";
import { type Transmitted, trialsOfServing, upperHalves } from "./halves.ts";

/** The keys of one session or one device, and what is known of its counter. Never to be logged. */
export interface NodeKeys {
  /** Session keys hold for this address; null for a device of which only root keys are known. */
  readonly devAddr: DevAddr | null;
  readonly devEui: Eui | null;
  readonly keys: LorawanKeys;
  /** Width of the counter in the MIC, allowed to be 16 until LoRaWAN 1.0.3; null: not known, both are tried. */
  readonly counterBits: 16 | 32 | null;
}

/** What is known from outside the frame. */
export interface CounterHint {
  /** Last counter proved for this node in this direction; null: none yet. */
  readonly lastCounter: number | null;
  /** 1.1: how the uplink was sent. Tried first; all others follow, so a wrong hint costs time and no proof. */
  readonly sent?: Transmitted;
  /** 1.1 with ACK set: counter of the confirmed frame that is acknowledged. */
  readonly confFCnt?: number;
}

export type CounterVerdict =
  | {
      readonly verdict: "valid";
      readonly counter32: number;
      /** Only two octets of a 1.1 uplink's MIC were proved. */
      readonly half: boolean;
      /** Which form of MIC was proved; 1.0 also for a 1.1 device on a 1.0 network. */
      readonly version: "1.0" | "1.1";
      /** Upper halves tried, the right one included. */
      readonly tries: number;
      /**
       * Data rate and channel index that fit a 1.1 uplink's MIC; null where none was needed. A search meets a wrong pair
       * in one frame of fifty: hint it only once two frames on the same frequency and data rate agree.
       */
      readonly sent: Transmitted | null;
      /** Upper bound of the chance that a foreign frame passes as this one did. */
      readonly chance: number;
    }
  | { readonly verdict: "invalid"; readonly tries: number }
  | { readonly verdict: "unknown"; readonly reason: string };

const WHOLE_CHANCE = 2 ** -32;
const HALF_CHANCE = 2 ** -16;

type SessionKeys = Pick<LorawanKeys, "nwkSKey" | "fNwkSIntKey" | "sNwkSIntKey">;

/**
 * Tries the upper counter halves that make sense, the likeliest first, and gives the one that the MIC proves.
 * `phyPayload` is the frame's octets. Never throws; keys never appear in a verdict.
 */
export function verifyCounter(
  phyPayload: Uint8Array,
  frame: DataFrame,
  node: NodeKeys,
  hint: CounterHint,
): CounterVerdict {
  if (node.devAddr !== null && node.devAddr !== frame.devAddr) {
    return unknown("the keys belong to another device address");
  }
  const keys = usableKeys(node.keys);
  const question = { phyPayload, frame, counterBits: node.counterBits, hint };
  return frame.direction === "up" ? verifyUplink(question, keys) : verifyDownlink(question, keys);
}

interface Question {
  readonly phyPayload: Uint8Array;
  readonly frame: DataFrame;
  readonly counterBits: 16 | 32 | null;
  readonly hint: CounterHint;
}

function verifyUplink({ phyPayload, frame, counterBits, hint }: Question, keys: SessionKeys): CounterVerdict {
  const { nwkSKey, fNwkSIntKey, sNwkSIntKey } = keys;
  if (nwkSKey === undefined && fNwkSIntKey === undefined) {
    return sNwkSIntKey === undefined
      ? unknown("no network session key")
      : verifyServingOnly({ phyPayload, frame, counterBits, hint }, sNwkSIntKey);
  }
  const { message, mic } = splitMic(phyPayload);
  // Equal keys: a 1.1 device on a 1.0 network, which signs as 1.0 alone (LoRaWAN 1.1, section 6.2.3).
  const isOneKey = nwkSKey !== undefined && fNwkSIntKey !== undefined && sameOctets(nwkSKey, fNwkSIntKey);
  const halves = new Set(upperHalves(hint.lastCounter, counterBits, true));
  let tries = 0;
  for (const high of upperHalves(hint.lastCounter, counterBits, false)) {
    tries += 1;
    const identity = identityOf(frame, high);
    if (nwkSKey !== undefined && sameOctets(dataMic10(nwkSKey, message, identity), mic)) {
      return valid(identity, "1.0", false, tries, WHOLE_CHANCE);
    }
    if (fNwkSIntKey === undefined || isOneKey) continue;
    const forwarding = dataMic10(fNwkSIntKey, message, identity);
    if (sameOctets(forwarding, mic)) return valid(identity, "1.0", false, tries, WHOLE_CHANCE);
    if (!sameOctets(forwarding.subarray(0, 2), mic.subarray(2))) continue;
    const serving = trialsOfServing(phyPayload, frame, identity, sNwkSIntKey, hint);
    if (serving === "refuted") continue;
    if (serving === "unchecked") {
      if (halves.has(high)) return valid(identity, "1.1", true, tries, HALF_CHANCE);
      continue;
    }
    // What had to be searched is weak evidence, and believed only in the halves that a living node can be in.
    if (serving.trials > 1 && !halves.has(high)) continue;
    const chance = HALF_CHANCE * serving.trials * HALF_CHANCE;
    return valid(identity, "1.1", false, tries, chance, serving.sent);
  }
  return { verdict: "invalid", tries };
}

/** Without FNwkSIntKey the first two octets alone are a proof, and only when nothing else has to be tried. */
function verifyServingOnly(
  { phyPayload, frame, counterBits, hint }: Question,
  sNwkSIntKey: Uint8Array,
): CounterVerdict {
  if (hint.sent === undefined) {
    return unknown("without FNwkSIntKey the MIC needs the data rate and the channel index");
  }
  let tries = 0;
  for (const high of upperHalves(hint.lastCounter, counterBits, true)) {
    tries += 1;
    const identity = identityOf(frame, high);
    const serving = trialsOfServing(phyPayload, frame, identity, sNwkSIntKey, hint, true);
    if (serving === "unchecked") return unknown(CONF_FCNT_MISSING);
    if (serving !== "refuted") return valid(identity, "1.1", true, tries, HALF_CHANCE, serving.sent);
  }
  return { verdict: "invalid", tries };
}

function verifyDownlink(
  { phyPayload, frame, counterBits, hint }: Question,
  keys: SessionKeys,
): CounterVerdict {
  const as10 = keys.nwkSKey ?? keys.fNwkSIntKey;
  const { sNwkSIntKey } = keys;
  if (as10 === undefined && sNwkSIntKey === undefined) return unknown("no network session key");
  const { message, mic } = splitMic(phyPayload);
  const confFCnt = acknowledged(frame, hint);
  let tries = 0;
  for (const high of upperHalves(hint.lastCounter, counterBits, false)) {
    tries += 1;
    const identity = identityOf(frame, high);
    if (as10 !== undefined && sameOctets(dataMic10(as10, message, identity), mic)) {
      return valid(identity, "1.0", false, tries, WHOLE_CHANCE);
    }
    if (sNwkSIntKey === undefined || confFCnt === undefined) continue;
    if (sameOctets(downlinkMic11(sNwkSIntKey, message, identity, confFCnt), mic)) {
      return valid(identity, "1.1", false, tries, WHOLE_CHANCE);
    }
  }
  if (sNwkSIntKey !== undefined && confFCnt === undefined) return unknown(CONF_FCNT_MISSING);
  if (sNwkSIntKey === undefined && keys.nwkSKey === undefined) {
    return unknown("a 1.1 downlink is signed with SNwkSIntKey, which is not known");
  }
  return { verdict: "invalid", tries };
}

/** A key of another size would make the cipher throw; it is no key. */
function usableKeys({ nwkSKey, fNwkSIntKey, sNwkSIntKey }: LorawanKeys): SessionKeys {
  return {
    ...(nwkSKey?.length === KEY_SIZE ? { nwkSKey } : {}),
    ...(fNwkSIntKey?.length === KEY_SIZE ? { fNwkSIntKey } : {}),
    ...(sNwkSIntKey?.length === KEY_SIZE ? { sNwkSIntKey } : {}),
  };
}

function valid(
  identity: FrameIdentity,
  version: "1.0" | "1.1",
  half: boolean,
  tries: number,
  chanceOfOne: number,
  sent: Transmitted | null = null,
): CounterVerdict {
  const chance = tries * chanceOfOne;
  return { verdict: "valid", counter32: identity.fCnt32, half, version, tries, sent, chance };
}

function unknown(reason: string): CounterVerdict {
  return { verdict: "unknown", reason };
}
