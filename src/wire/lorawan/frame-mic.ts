/**
 * Is the MIC of a data frame right? LoRaWAN 1.0 and 1.1, both directions, whole or half.
 * Source: LoRaWAN 1.1, section 4.4 (blocks B0 and B1); LoRaWAN 1.0.2, section 4.4.
 * `message` is the PHYPayload without its last four octets (MHDR | FHDR | FPort | FRMPayload, as ciphertext).
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";
import { aesEncryptBlocks, mic, xorOctets } from "./lorawan-keys.ts";
import { joinOctets, putIdentifier, putLittleEndian, sameOctets } from "./octets.ts";
import type { DataFrame, Direction } from "./phy-payload.ts";

/** What the blocks need to know of a frame: never on air as a whole, since the counter's upper half is not sent. */
export interface FrameIdentity {
  readonly direction: Direction;
  readonly devAddr: DevAddr;
  /** The full 32-bit frame counter. */
  readonly fCnt32: number;
}

/** With the upper half of the counter, which is not sent. */
export function identityOf({ direction, devAddr, fCnt }: DataFrame, high: number): FrameIdentity {
  return { direction, devAddr, fCnt32: high * 65_536 + fCnt };
}

/** LoRaWAN 1.1, section 4.4: TxDr is 4 bits wide in every region; TxCh reaches 95 in the plan with most channels. */
export const TX_DATA_RATES = 16;
export const TX_CHANNELS = 96;

/** LoRaWAN 1.1, section 4.4: ConfFCnt counts only when ACK is set in this frame, else it is 0. undefined: not known. */
export function acknowledged(
  { fCtrl }: DataFrame,
  { confFCnt }: { readonly confFCnt?: number },
): number | undefined {
  return fCtrl.ack ? confFCnt : 0;
}

export const CONF_FCNT_MISSING = "ACK is set, and the counter of the frame acknowledged is not known";

/** What LoRaWAN 1.1 adds to an uplink's MIC. */
export interface UplinkMicInputs {
  /** Counter of the confirmed downlink that this frame acknowledges; 0 unless its ACK bit is set. */
  readonly confFCnt: number;
  /** Data rate index of the transmission, 0 to 15. */
  readonly txDr: number;
  /** The device's channel index, 0 to 95. */
  readonly txCh: number;
}

/** MIC of LoRaWAN 1.0.x, both directions. With FNwkSIntKey: a 1.1 device on a 1.0 network. */
export function dataMic10(nwkSKey: Uint8Array, message: Uint8Array, frame: FrameIdentity): Uint8Array {
  return mic(nwkSKey, joinOctets(blockB(message, frame, 0, 0, 0), message));
}

/** The first two MIC octets of a 1.1 uplink, which the serving network's key proves. */
export function uplinkMicS(
  sNwkSIntKey: Uint8Array,
  message: Uint8Array,
  frame: FrameIdentity,
  inputs: UplinkMicInputs,
): Uint8Array {
  const b1 = blockB(message, frame, inputs.confFCnt, inputs.txDr, inputs.txCh);
  return mic(sNwkSIntKey, joinOctets(b1, message)).subarray(0, 2);
}

/** MIC of a LoRaWAN 1.1 downlink. `confFCnt`: counter of the confirmed uplink acknowledged, 0 unless ACK is set. */
export function downlinkMic11(
  sNwkSIntKey: Uint8Array,
  message: Uint8Array,
  frame: FrameIdentity,
  confFCnt: number,
): Uint8Array {
  return mic(sNwkSIntKey, joinOctets(blockB(message, frame, confFCnt, 0, 0), message));
}

/**
 * Whether octets 2-3 of a 1.1 uplink's MIC verify with the forwarding network's key alone, which is all that a
 * passive listener may know: a chance match is then 2^-16, not 2^-32.
 */
export function verifyForwardingHalf(
  fNwkSIntKey: Uint8Array,
  phyPayload: Uint8Array,
  frame: FrameIdentity,
): boolean {
  const { message, mic: sent } = splitMic(phyPayload);
  return sameOctets(dataMic10(fNwkSIntKey, message, frame).subarray(0, 2), sent.subarray(2));
}

/** Whether a frame's MIC is that of LoRaWAN 1.0.x. */
export function verifyDataMic10(nwkSKey: Uint8Array, phyPayload: Uint8Array, frame: FrameIdentity): boolean {
  const { message, mic: sent } = splitMic(phyPayload);
  return sameOctets(dataMic10(nwkSKey, message, frame), sent);
}

/** A PHYPayload as the octets that its MIC covers, and the MIC. */
export function splitMic(phyPayload: Uint8Array): { message: Uint8Array; mic: Uint8Array } {
  const at = Math.max(0, phyPayload.length - 4);
  return { message: phyPayload.subarray(0, at), mic: phyPayload.subarray(at) };
}

/**
 * LoRaWAN 1.1, section 4.4, figures 16 to 18: 49, ConfFCnt 2, TxDr 1, TxCh 1, Dir 1, DevAddr 4, FCnt 4, 00, len.
 * B0 of 1.0 and of 1.1 uplinks is the same block with zeros in the first three fields.
 */
function blockB(
  message: Uint8Array,
  frame: FrameIdentity,
  confFCnt: number,
  txDr: number,
  txCh: number,
): Uint8Array {
  const block = new Uint8Array(16);
  block[0] = 0x49;
  putLittleEndian(block, 1, 2, confFCnt % 65536);
  block[3] = txDr;
  block[4] = txCh;
  block[5] = frame.direction === "up" ? 0 : 1;
  putIdentifier(block, 6, 4, frame.devAddr);
  putLittleEndian(block, 10, 4, frame.fCnt32);
  block[15] = message.length;
  return block;
}

// Is a join-request or rejoin-request genuine? Both are sent in clear, protected by their MIC alone.
// Source: LoRaWAN 1.1, section 6.2.2 (join) and 6.2.4 (rejoin); LoRaWAN 1.0.2, section 6.2.4.

/** MIC over MHDR and all fields. Join: AppKey (1.0) or NwkKey (1.1). Rejoin 0 and 2: SNwkSIntKey; rejoin 1: JSIntKey. */
export function joinMic(key: Uint8Array, message: Uint8Array): Uint8Array {
  return mic(key, message);
}

/** Whether a join- or rejoin-request carries the MIC that this key gives. */
export function verifyJoinMic(key: Uint8Array, phyPayload: Uint8Array): boolean {
  const { message, mic: sent } = splitMic(phyPayload);
  return sameOctets(joinMic(key, message), sent);
}

// Which session keys follow from a join? Derivation for 1.0, for 1.1 with OptNeg 0 and 1, and the join server's keys.
// Source: LoRaWAN 1.1, sections 6.1.1.4 and 6.2.3; LoRaWAN 1.0.2, section 6.2.5.
// Every key is AES(root, type | fields | zeros up to 16 octets).

/** What a join exchange contributes. Hex texts are as displayed, most significant octet first. */
export interface JoinExchange {
  /** JoinNonce (AppNonce before 1.1), 6 hex digits. */
  readonly joinNonce: string;
  /** DevNonce, or RJcount when a rejoin is answered. */
  readonly devNonce: number;
}

export interface SessionKeys10 {
  readonly nwkSKey: Uint8Array;
  readonly appSKey: Uint8Array;
}

export interface SessionKeys11 {
  readonly fNwkSIntKey: Uint8Array;
  readonly sNwkSIntKey: Uint8Array;
  readonly nwkSEncKey: Uint8Array;
  readonly appSKey: Uint8Array;
}

export interface JoinServerKeys {
  readonly jsEncKey: Uint8Array;
  readonly jsIntKey: Uint8Array;
}

/** Session keys of 1.0.x. NetID: 6 hex digits. */
export function deriveSessionKeys10(
  appKey: Uint8Array,
  join: JoinExchange & { readonly netId: string },
): SessionKeys10 {
  return {
    nwkSKey: derive(appKey, 0x01, join.joinNonce, join.netId, join.devNonce),
    appSKey: derive(appKey, 0x02, join.joinNonce, join.netId, join.devNonce),
  };
}

/**
 * A 1.1 device that the network answered with OptNeg 0: one network key in three roles, and AppSKey too comes from
 * NwkKey with the NetID, not from AppKey (LoRaWAN 1.1, section 6.2.3).
 */
export function deriveSessionKeys11OptNeg0(
  nwkKey: Uint8Array,
  join: JoinExchange & { readonly netId: string },
): SessionKeys11 {
  const { nwkSKey, appSKey } = deriveSessionKeys10(nwkKey, join);
  return { fNwkSIntKey: nwkSKey, sNwkSIntKey: nwkSKey, nwkSEncKey: nwkSKey, appSKey };
}

/** Session keys of 1.1 with OptNeg 1: network keys from NwkKey, AppSKey from AppKey. */
export function deriveSessionKeys11(
  roots: { readonly nwkKey: Uint8Array; readonly appKey: Uint8Array },
  join: JoinExchange & { readonly joinEui: Eui },
): SessionKeys11 {
  const from = (root: Uint8Array, type: number) =>
    derive(root, type, join.joinNonce, join.joinEui, join.devNonce);
  return {
    fNwkSIntKey: from(roots.nwkKey, 0x01),
    sNwkSIntKey: from(roots.nwkKey, 0x03),
    nwkSEncKey: from(roots.nwkKey, 0x04),
    appSKey: from(roots.appKey, 0x02),
  };
}

/** The lifetime keys that protect rejoins and their answers. LoRaWAN 1.1, section 6.1.1.3. */
export function deriveJoinServerKeys(nwkKey: Uint8Array, devEui: Eui): JoinServerKeys {
  const from = (type: number) => {
    const block = new Uint8Array(16);
    block[0] = type;
    putIdentifier(block, 1, 8, devEui);
    return aesEncryptBlocks(nwkKey, block);
  };
  return { jsEncKey: from(0x05), jsIntKey: from(0x06) };
}

function derive(
  root: Uint8Array,
  type: number,
  joinNonce: string,
  netIdOrJoinEui: string,
  devNonce: number,
): Uint8Array {
  const block = new Uint8Array(16);
  const size = netIdOrJoinEui.length / 2;
  block[0] = type;
  putIdentifier(block, 1, 3, joinNonce);
  putIdentifier(block, 4, size, netIdOrJoinEui);
  putLittleEndian(block, 4 + size, 2, devNonce);
  return aesEncryptBlocks(root, block);
}

// What do FRMPayload and FOpts say once decrypted? The cipher is a key stream, so the same call encrypts.
// Sources: LoRaWAN 1.1, section 4.3.3 (FRMPayload, blocks A_i) and section 4.3.1.6 (FOpts, figure 15);
// errata "FCntDwn usage in FOpts encryption" on LoRaWAN 1.1.

/** Which printed form of the FOpts block a device follows; devices of both exist. */
export type FOptsForm = "errata" | "original";

/** Decrypts or encrypts FRMPayload: AppSKey for FPort 1 to 255, the network key for FPort 0 and relay port 226. */
export function cryptFrmPayload(key: Uint8Array, frmPayload: Uint8Array, frame: FrameIdentity): Uint8Array {
  const count = Math.ceil(frmPayload.length / 16);
  const blocks = new Uint8Array(count * 16);
  for (let index = 0; index < count; index++) {
    // LoRaWAN 1.1, section 4.3.3: the blocks count from 1.
    blocks.set(blockA(frame, 0, index + 1), index * 16);
  }
  return xorOctets(frmPayload, aesEncryptBlocks(key, blocks));
}

/**
 * Decrypts or encrypts the FOpts of LoRaWAN 1.1 with NwkSEncKey. `fPort` tells which downlink counter is meant:
 * AFCntDown for FPort above 0, NFCntDown otherwise.
 */
export function cryptFOpts(
  nwkSEncKey: Uint8Array,
  fOpts: Uint8Array,
  frame: FrameIdentity,
  fPort: number | null,
  form: FOptsForm = "errata",
): Uint8Array {
  const usesAFCntDown = frame.direction === "down" && fPort !== null && fPort > 0;
  // Errata on LoRaWAN 1.1, FOpts encryption: octet 4 tells the counter and the last octet is 1; both are 0 in figure 15.
  const block = form === "original" ? blockA(frame, 0, 0) : blockA(frame, usesAFCntDown ? 2 : 1, 1);
  return xorOctets(fOpts, aesEncryptBlocks(nwkSEncKey, block));
}

/** 01, 00 00 00, counter kind 1, Dir 1, DevAddr 4, FCnt 4, 00, i. */
function blockA(frame: FrameIdentity, counterKind: number, index: number): Uint8Array {
  const block = new Uint8Array(16);
  block[0] = 0x01;
  block[4] = counterKind;
  block[5] = frame.direction === "up" ? 0 : 1;
  putIdentifier(block, 6, 4, frame.devAddr);
  putLittleEndian(block, 10, 4, frame.fCnt32);
  block[15] = index;
  return block;
}
