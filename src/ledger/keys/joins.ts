/**
 * Which session follows from a join that was heard, given the device's root keys? Address, session keys and settings,
 * each proved by a MIC or not believed.
 * Sources: LoRaWAN 1.1, sections 6.2.2, 6.2.3 and 6.1.1.4; LoRaWAN 1.0.2, section 6.2.
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";
import { counterDelayUs } from "../../radio/clock.ts";
import {
  deriveJoinServerKeys,
  deriveSessionKeys10,
  deriveSessionKeys11,
  deriveSessionKeys11OptNeg0,
  verifyJoinMic,
} from "../../wire/lorawan/frame-mic.ts";
import {
  carriesMic,
  decodeJoinAcceptContent,
  type JoinAcceptContent,
  joinAcceptMic,
  joinAcceptMicOptNeg,
  openJoinAccept,
} from "../../wire/lorawan/join-accept.ts";
import { KEY_SIZE, type LorawanKeys } from "../../wire/lorawan/lorawan-keys.ts";
import { type DataFrame, decodePhyPayload, type JoinRequest } from "../../wire/lorawan/phy-payload.ts";
import { type CounterHint, type CounterVerdict, type NodeKeys, verifyCounter } from "./identity.ts";

/** PHYPayloads as heard (join-request) and as handed to a gateway for sending (join-accept). */
export interface HeardJoin {
  readonly request: Uint8Array;
  readonly accept: Uint8Array;
}

/** A session that a join began. */
export interface FollowedSession {
  readonly devEui: Eui;
  readonly joinEui: Eui;
  readonly devNonce: number;
  readonly devAddr: DevAddr;
  /** 1.0: AppKey signed; 1.1 with OptNeg 0 or 1: NwkKey and JSIntKey. */
  readonly scheme: "1.0" | "1.1 OptNeg 0" | "1.1 OptNeg 1";
  /** Session keys under the names of a key file; without AppSKey when AppKey is missing in 1.1. */
  readonly keys: LorawanKeys;
  /**
   * Whether the join-accept's MIC covers this DevNonce. With OptNeg 0 it does not: of several requests the one that
   * fits is found by time, and proved by the session's first data frame.
   */
  readonly boundToRequest: boolean;
  readonly content: JoinAcceptContent;
}

export type JoinVerdict =
  | { readonly verdict: "valid"; readonly session: FollowedSession }
  | { readonly verdict: "invalid"; readonly reason: string }
  | { readonly verdict: "unknown"; readonly reason: string };

/** Follows a join. Never throws; a key never appears in a reason. */
export function followJoin({ request, accept }: HeardJoin, node: NodeKeys): JoinVerdict {
  const asked = decodePhyPayload(request);
  if (!asked.ok || asked.value.messageType !== "JoinRequest")
    return unknown("the request is not a join-request");
  const answered = decodePhyPayload(accept);
  if (!answered.ok || answered.value.messageType !== "JoinAccept")
    return unknown("the answer is not a join-accept");
  const join = asked.value;
  if (node.devEui !== null && node.devEui !== join.devEui)
    return unknown("the keys belong to another device");
  const roots = usableRoots(node.keys);
  if (roots.length === 0) return unknown("neither AppKey nor NwkKey is known");
  const signed = roots.filter(({ key }) => verifyJoinMic(key, request));
  if (signed.length === 0) return { verdict: "invalid", reason: "the join-request's MIC does not verify" };
  for (const root of signed) {
    const session = openSession(join, accept, root, node.keys);
    if (session !== null) return { verdict: "valid", session };
  }
  return { verdict: "invalid", reason: "the join-accept is for another device, or answers another request" };
}

// LoRaWAN regional parameters: JOIN_ACCEPT_DELAY1 5 s and JOIN_ACCEPT_DELAY2 6 s in every region.
const JOIN_DELAYS_US = { rx1: 5_000_000, rx2: 6_000_000 } as const;
/** A server computes the time of its answer from the counter of the request. Chosen: room for rounding. */
const JOIN_DELAY_SLACK_US = 1_000;

/** In which receive window of a request a downlink is to be sent, by the gateway's counter (`tmst`); null: in none. */
export function joinWindow(requestTmstUs: number, acceptTmstUs: number): "rx1" | "rx2" | null {
  const delayUs = counterDelayUs(requestTmstUs, acceptTmstUs);
  if (Math.abs(delayUs - JOIN_DELAYS_US.rx1) <= JOIN_DELAY_SLACK_US) return "rx1";
  return Math.abs(delayUs - JOIN_DELAYS_US.rx2) <= JOIN_DELAY_SLACK_US ? "rx2" : null;
}

interface Root {
  readonly name: "appKey" | "nwkKey";
  readonly key: Uint8Array;
}

function usableRoots({ appKey, nwkKey }: LorawanKeys): Root[] {
  return [
    // LoRaWAN 1.1, section 6.2.2: a 1.1 device signs with NwkKey, a 1.0 device with AppKey.
    ...(nwkKey?.length === KEY_SIZE ? [{ name: "nwkKey", key: nwkKey } as const] : []),
    ...(appKey?.length === KEY_SIZE ? [{ name: "appKey", key: appKey } as const] : []),
  ];
}

function openSession(
  join: JoinRequest,
  accept: Uint8Array,
  root: Root,
  keys: LorawanKeys,
): FollowedSession | null {
  const clear = openJoinAccept(root.key, accept);
  const content = decodeJoinAcceptContent(clear);
  if (content === null) return null;
  const { devEui, joinEui, devNonce } = join;
  const { devAddr, netId, joinNonce, optNeg } = content;
  const heads = { devEui, joinEui, devNonce, devAddr, content };
  if (root.name === "nwkKey" && optNeg) {
    const { jsIntKey } = deriveJoinServerKeys(root.key, devEui);
    const expected = joinAcceptMicOptNeg(jsIntKey, clear, { joinReqType: 0xff, joinEui, devNonce });
    if (!carriesMic(clear, expected)) return null;
    const session = sessionKeys11(root.key, keys.appKey, { joinNonce, joinEui, devNonce });
    return { ...heads, scheme: "1.1 OptNeg 1", keys: session, boundToRequest: true };
  }
  if (!carriesMic(clear, joinAcceptMic(root.key, clear))) return null;
  const exchange = { joinNonce, netId, devNonce };
  if (root.name === "appKey") {
    return {
      ...heads,
      scheme: "1.0",
      keys: deriveSessionKeys10(root.key, exchange),
      boundToRequest: false,
    };
  }
  const session = deriveSessionKeys11OptNeg0(root.key, exchange);
  // LoRaWAN 1.1, section 6.2.3: with OptNeg 0 the device signs as 1.0, with the one network key.
  const all: LorawanKeys = { nwkSKey: session.fNwkSIntKey, ...session };
  return { ...heads, scheme: "1.1 OptNeg 0", keys: all, boundToRequest: false };
}

function sessionKeys11(
  nwkKey: Uint8Array,
  appKey: Uint8Array | undefined,
  exchange: { readonly joinNonce: string; readonly joinEui: Eui; readonly devNonce: number },
): LorawanKeys {
  if (appKey?.length === KEY_SIZE) return deriveSessionKeys11({ nwkKey, appKey }, exchange);
  const { appSKey: _fromNoAppKey, ...network } = deriveSessionKeys11({ nwkKey, appKey: nwkKey }, exchange);
  return network;
}

function unknown(reason: string): JoinVerdict {
  return { verdict: "unknown", reason };
}

/** Which of the candidates sent a frame. */
export type SenderVerdict =
  | {
      readonly verdict: "valid";
      readonly node: NodeKeys;
      readonly counter: CounterVerdict & { verdict: "valid" };
    }
  /** Every candidate could be checked, and none fits. */
  | { readonly verdict: "invalid"; readonly candidates: number }
  | { readonly verdict: "unknown"; readonly reason: string };

/**
 * Tries the keys of an address in turn. A whole proof ends the search; of half proofs alone the first counts when it is
 * the only one, and two that contradict each other count as none.
 */
export function identifySender(
  phyPayload: Uint8Array,
  frame: DataFrame,
  candidates: readonly NodeKeys[],
  hintOf: (node: NodeKeys) => CounterHint,
): SenderVerdict {
  if (candidates.length === 0) return { verdict: "unknown", reason: "no keys for this device address" };
  const halves: Extract<SenderVerdict, { verdict: "valid" }>[] = [];
  let reason: string | null = null;
  for (const node of candidates) {
    const counter = verifyCounter(phyPayload, frame, node, hintOf(node));
    if (counter.verdict === "unknown") reason = counter.reason;
    if (counter.verdict !== "valid") continue;
    if (!counter.half) return { verdict: "valid", node, counter };
    halves.push({ verdict: "valid", node, counter });
  }
  const [only, second] = halves;
  if (second !== undefined)
    return { verdict: "unknown", reason: "half of the MIC fits the keys of two nodes" };
  if (only !== undefined) return only;
  return reason === null
    ? { verdict: "invalid", candidates: candidates.length }
    : { verdict: "unknown", reason };
}
