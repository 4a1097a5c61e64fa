/**
 * Is the MIC of a data frame right? LoRaWAN 1.0 and 1.1, both directions, whole or half.
 * Source: LoRaWAN 1.1, section 4.4 (blocks B0 and B1); LoRaWAN 1.0.2, section 4.4.
 * `message` is the PHYPayload without its last four octets (MHDR | FHDR | FPort | FRMPayload, as ciphertext).
 */
import type { DevAddr } from "../../model/identifiers.ts";
import { mic } from "./aes.ts";
import { joinOctets, putIdentifier, putLittleEndian, sameOctets } from "./octets.ts";
import type { Direction } from "./phy-payload.ts";

/** What the blocks need to know of a frame: never on air as a whole, since the counter's upper half is not sent. */
export interface FrameIdentity {
  readonly direction: Direction;
  readonly devAddr: DevAddr;
  /** The full 32-bit frame counter. */
  readonly fCnt32: number;
}

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

/** MIC of a LoRaWAN 1.1 uplink: two octets of each network key. */
export function uplinkMic11(
  keys: { readonly fNwkSIntKey: Uint8Array; readonly sNwkSIntKey: Uint8Array },
  message: Uint8Array,
  frame: FrameIdentity,
  inputs: UplinkMicInputs,
): Uint8Array {
  const s = uplinkMicS(keys.sNwkSIntKey, message, frame, inputs);
  const f = dataMic10(keys.fNwkSIntKey, message, frame).subarray(0, 2);
  return joinOctets(s, f);
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
