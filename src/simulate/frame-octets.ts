/**
 * Which octets does a synthetic node send? LoRaWAN 1.0.x frames, encrypted and signed with keys that belong to the
 * node's name and the seed, so that a decoder given these keys can prove every frame.
 */
import type { DevAddr } from "../model/identifiers.ts";
import {
  cryptFrmPayload,
  dataMic10,
  deriveSessionKeys10,
  type FrameIdentity,
  joinMic,
} from "../wire/lorawan/frame-mic.ts";
import { encodeJoinAcceptContent, joinAcceptMic, sealJoinAccept } from "../wire/lorawan/join-accept.ts";
import { joinOctets } from "../wire/lorawan/octets.ts";
import { encodePhyPayload } from "../wire/lorawan/phy-payload.ts";
import type { Node } from "./scenario.ts";
import { type Random, randomOctets } from "./time-and-chance.ts";

export interface NodeKeys {
  readonly nwkSKey: Uint8Array;
  readonly appSKey: Uint8Array;
  readonly appKey: Uint8Array;
}

/** The keys of a synthetic node. They protect nothing. */
export function nodeKeys(random: Random): NodeKeys {
  const keys = random.fork("keys");
  return {
    nwkSKey: randomOctets(keys, 16),
    appSKey: randomOctets(keys, 16),
    appKey: randomOctets(keys, 16),
  };
}

/** The PHYPayload of a data frame. Only the low 16 bits of the counter are sent, but all 32 are signed. */
export function dataFrameOctets(
  node: Node,
  devAddr: DevAddr,
  counter: number,
  keys: NodeKeys,
  payload: Uint8Array,
  fOpts: Uint8Array = new Uint8Array(0),
  adrAckReq = false,
): Uint8Array {
  const identity: FrameIdentity = { direction: "up", devAddr, fCnt32: counter };
  const message = encodePhyPayload({
    messageType: node.confirmed ? "ConfirmedDataUp" : "UnconfirmedDataUp",
    direction: "up",
    devAddr,
    fCtrl: {
      adr: node.adr,
      adrAckReq,
      ack: false,
      classB: false,
      fOptsLength: fOpts.length,
      raw: (node.adr ? 0x80 : 0) | (adrAckReq ? 0x40 : 0),
    },
    fCnt: counter % 65536,
    fOpts,
    fPort: payload.length === 0 ? null : node.fPort,
    frmPayload: cryptFrmPayload(keys.appSKey, payload, identity),
    mic: new Uint8Array(0),
    rfuBits: 0,
  });
  return joinOctets(message, dataMic10(keys.nwkSKey, message, identity));
}

/** The PHYPayload of a join-request. */
export function joinRequestOctets(
  joinEui: string,
  devEui: string,
  devNonce: number,
  keys: NodeKeys,
): Uint8Array {
  const bytes = encodePhyPayload({
    messageType: "JoinRequest",
    direction: "up",
    joinEui,
    devEui,
    devNonce,
    mic: new Uint8Array(4),
    rfuBits: 0,
  });
  const message = bytes.subarray(0, bytes.length - 4);
  return joinOctets(message, joinMic(keys.appKey, message));
}

/** The PHYPayload of a downlink without application data: an acknowledgement, commands, or both. */
export function downlinkOctets(
  devAddr: DevAddr,
  counter: number,
  keys: NodeKeys,
  { ack, fOpts }: { readonly ack: boolean; readonly fOpts: Uint8Array },
): Uint8Array {
  const identity: FrameIdentity = { direction: "down", devAddr, fCnt32: counter };
  const message = encodePhyPayload({
    messageType: "UnconfirmedDataDown",
    direction: "down",
    devAddr,
    fCtrl: {
      adr: true,
      ack,
      fPending: false,
      fOptsLength: fOpts.length,
      raw: 0x80 | (ack ? 0x20 : 0),
    },
    fCnt: counter % 65536,
    fOpts,
    fPort: null,
    frmPayload: new Uint8Array(0),
    mic: new Uint8Array(0),
    rfuBits: 0,
  });
  return joinOctets(message, dataMic10(keys.nwkSKey, message, identity));
}

/** What the network answers to a join-request, and the session that follows (LoRaWAN 1.0.x). */
export function joinAnswer(
  root: NodeKeys,
  devAddr: DevAddr,
  exchange: { readonly joinNonce: string; readonly devNonce: number },
): { readonly payload: Uint8Array; readonly keys: NodeKeys } {
  const netId = "000000";
  const content = {
    joinNonce: exchange.joinNonce,
    netId,
    devAddr,
    dlSettings: 0,
    rxDelay: 1,
    cfList: null,
  };
  const unsigned = encodeJoinAcceptContent(content, new Uint8Array(4));
  const clear = encodeJoinAcceptContent(content, joinAcceptMic(root.appKey, unsigned));
  const session = deriveSessionKeys10(root.appKey, { ...exchange, netId });
  return { payload: sealJoinAccept(root.appKey, clear), keys: { ...session, appKey: root.appKey } };
}
