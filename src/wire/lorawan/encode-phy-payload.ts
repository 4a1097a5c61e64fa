/**
 * How does a message become a PHYPayload? The inverse of decodePhyPayload: what it reads, this writes, octet for octet.
 * Source: LoRaWAN 1.1, sections 4 and 6.2.
 * Nothing is encrypted and no MIC is computed here: the caller hands in ciphertext and MIC (see frame-mic.ts and
 * frame-encryption.ts), because both need the octets that this file lays out.
 */
import { joinOctets, putIdentifier, putLittleEndian } from "./octets.ts";
import {
  type DataFrame,
  type FCtrlDown,
  type FCtrlUp,
  MESSAGE_TYPES,
  type MessageType,
  type PhyPayload,
} from "./phy-payload.ts";

/** The octets of a message, in air order. FOptsLen follows from `fOpts`; FCtrl from its flags. */
export function encodePhyPayload(message: PhyPayload): Uint8Array {
  switch (message.messageType) {
    case "JoinRequest": {
      const bytes = head(message.messageType, message.rfuBits, 23);
      putIdentifier(bytes, 1, 8, message.joinEui);
      putIdentifier(bytes, 9, 8, message.devEui);
      putLittleEndian(bytes, 17, 2, message.devNonce);
      bytes.set(message.mic.subarray(0, 4), 19);
      return bytes;
    }
    case "RejoinRequest": {
      const isType1 = message.rejoinType === 1;
      const bytes = head(message.messageType, message.rfuBits, isType1 ? 24 : 19);
      bytes[1] = message.rejoinType;
      if (isType1) putIdentifier(bytes, 2, 8, message.joinEui ?? "");
      else putIdentifier(bytes, 2, 3, message.netId ?? "");
      putIdentifier(bytes, isType1 ? 10 : 5, 8, message.devEui);
      putLittleEndian(bytes, isType1 ? 18 : 13, 2, message.rjCount);
      bytes.set(message.mic.subarray(0, 4), isType1 ? 20 : 15);
      return bytes;
    }
    case "JoinAccept":
      return joinOctets(head(message.messageType, message.rfuBits, 1), message.encrypted);
    case "Proprietary":
      return joinOctets(head(message.messageType, message.rfuBits, 1), message.payload);
    default:
      return encodeData(message);
  }
}

function encodeData(frame: DataFrame): Uint8Array {
  const header = head(frame.messageType, frame.rfuBits, 8);
  putIdentifier(header, 1, 4, frame.devAddr);
  header[5] = fCtrlOctet(frame.fCtrl, frame.fOpts.length);
  putLittleEndian(header, 6, 2, frame.fCnt);
  const port = frame.fPort === null ? new Uint8Array(0) : Uint8Array.of(frame.fPort);
  return joinOctets(header, frame.fOpts.subarray(0, 15), port, frame.frmPayload, frame.mic);
}

function fCtrlOctet(fCtrl: FCtrlUp | FCtrlDown, fOptsLength: number): number {
  // LoRaWAN 1.1, figures 12 and 13: bit 7 ADR, 6 ADRACKReq (up), 5 ACK, 4 ClassB (up) or FPending (down).
  const bit4 = "classB" in fCtrl ? fCtrl.classB : fCtrl.fPending;
  // Downlink bit 6 is RFU; a decoded frame keeps it in `raw` so that re-encoding repeats the octet.
  const bit6 = "adrAckReq" in fCtrl ? fCtrl.adrAckReq : (fCtrl.raw & 0x40) !== 0;
  return (
    (fCtrl.adr ? 0x80 : 0) |
    (bit6 ? 0x40 : 0) |
    (fCtrl.ack ? 0x20 : 0) |
    (bit4 ? 0x10 : 0) |
    Math.min(fOptsLength, 15)
  );
}

function head(messageType: MessageType, rfuBits: number, size: number): Uint8Array {
  const bytes = new Uint8Array(size);
  bytes[0] = (MESSAGE_TYPES.indexOf(messageType) << 5) | ((rfuBits & 0x07) << 2);
  return bytes;
}
