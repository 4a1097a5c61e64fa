/**
 * What does a PHYPayload say without any key? Message type, addresses, counters, and where the ciphertext lies.
 * Source: LoRaWAN 1.1, sections 4 and 6.2 (figures 9 to 17 and 44 to 47); LoRaWAN L2 1.0.4, section 4.
 * Never throws: every byte string gives a value or a named fault. Octet fields are views of the input, not copies.
 */
import type { Decoded, WireFault } from "../../model/fault.ts";
import {
  type DataFrame,
  type DataMessageType,
  type FCtrlDown,
  type FCtrlUp,
  MESSAGE_TYPES,
  type MessageType,
  type PhyPayload,
  type PhyPayloadFault,
} from "./message.ts";
import { identifierAt, joinOctets, littleEndian, octet, putIdentifier, putLittleEndian } from "./octets.ts";

export type {
  DataFrame,
  DataFrameDown,
  DataFrameUp,
  DataMessageType,
  Direction,
  JoinRequest,
  MessageType,
  PhyPayload,
  RejoinRequest,
} from "./message.ts";
export { MESSAGE_TYPES } from "./message.ts";

// LoRaWAN 1.1, section 4: MHDR 1, DevAddr 4, FCtrl 1, FCnt 2, MIC 4.
const HEADER_SIZE = 8;
const MIC_SIZE = 4;
const DATA_MINIMUM = HEADER_SIZE + MIC_SIZE;
// RP002-1.0.5: the largest MACPayload of any region and data rate is 250 octets, so a PHYPayload has at most 255.
const PHY_PAYLOAD_MAXIMUM = 255;

/**
 * Reads one PHYPayload in air order.
 * Faults (layer `lorawan`): see {@link PhyPayloadFault}. RFU bits of MHDR are reported, never rejected.
 */
export function decodePhyPayload(bytes: Uint8Array): Decoded<PhyPayload> {
  if (bytes.length === 0) return malformed("empty", 0, 1, 0);
  const mhdr = octet(bytes, 0);
  // LoRaWAN 1.1, section 4.2.2: Major 0 is LoRaWAN R1, all others are RFU.
  if ((mhdr & 0x03) !== 0) {
    return malformed("unsupportedMajor", 0, undefined, undefined, `Major ${mhdr & 0x03}`);
  }
  const messageType = MESSAGE_TYPES[mhdr >> 5];
  const rfuBits = (mhdr >> 2) & 0x07;
  switch (messageType) {
    case "JoinRequest":
      return decodeJoinRequest(bytes, rfuBits);
    case "JoinAccept":
      return decodeJoinAccept(bytes, rfuBits);
    case "RejoinRequest":
      return decodeRejoinRequest(bytes, rfuBits);
    case undefined:
    case "Proprietary":
      return done({
        messageType: "Proprietary",
        direction: "unknown",
        payload: bytes.subarray(1),
        rfuBits,
      });
    default:
      return decodeData(bytes, messageType, rfuBits);
  }
}

function decodeData(bytes: Uint8Array, messageType: DataMessageType, rfuBits: number): Decoded<PhyPayload> {
  if (bytes.length < DATA_MINIMUM) return malformed("tooShort", bytes.length, DATA_MINIMUM, bytes.length);
  const raw = octet(bytes, 5);
  const fOptsLength = raw & 0x0f;
  const micAt = bytes.length - MIC_SIZE;
  const fOptsEnd = HEADER_SIZE + fOptsLength;
  if (fOptsEnd > micAt) return malformed("fOptsOverrun", HEADER_SIZE, fOptsLength, micAt - HEADER_SIZE);
  // LoRaWAN 1.1, section 4.3: FPort is there exactly when octets remain after FOpts.
  const fPort = fOptsEnd < micAt ? octet(bytes, fOptsEnd) : null;
  // LoRaWAN L2 1.0.4, section 4.3.1.6: commands in both places at once are forbidden.
  if (fOptsLength > 0 && fPort === 0) return malformed("fOptsWithFPort0", fOptsEnd);
  if (bytes.length > PHY_PAYLOAD_MAXIMUM) {
    return malformed("macPayloadTooLong", PHY_PAYLOAD_MAXIMUM, PHY_PAYLOAD_MAXIMUM, bytes.length);
  }
  const body = {
    devAddr: identifierAt(bytes, 1, 4),
    fCnt: littleEndian(bytes, 6, 2),
    fOpts: bytes.subarray(HEADER_SIZE, fOptsEnd),
    fPort,
    frmPayload: bytes.subarray(Math.min(fOptsEnd + 1, micAt), micAt),
    mic: bytes.subarray(micAt),
    rfuBits,
  };
  const adr = (raw & 0x80) !== 0;
  const ack = (raw & 0x20) !== 0;
  // LoRaWAN 1.1, figures 12 and 13: bits 6 and 4 have another meaning in each direction.
  const bit6 = (raw & 0x40) !== 0;
  const bit4 = (raw & 0x10) !== 0;
  if (messageType === "UnconfirmedDataUp" || messageType === "ConfirmedDataUp") {
    const fCtrl = { adr, adrAckReq: bit6, ack, classB: bit4, fOptsLength, raw };
    return done({ messageType, direction: "up", fCtrl, ...body });
  }
  const fCtrl = { adr, ack, fPending: bit4, fOptsLength, raw };
  return done({ messageType, direction: "down", fCtrl, ...body });
}

function decodeJoinRequest(bytes: Uint8Array, rfuBits: number): Decoded<PhyPayload> {
  // LoRaWAN 1.1, section 6.2.2, figure 44.
  if (bytes.length !== 23) return malformed("wrongLength", Math.min(bytes.length, 23), 23, bytes.length);
  return done({
    messageType: "JoinRequest",
    direction: "up",
    joinEui: identifierAt(bytes, 1, 8),
    devEui: identifierAt(bytes, 9, 8),
    devNonce: littleEndian(bytes, 17, 2),
    mic: bytes.subarray(19),
    rfuBits,
  });
}

function decodeJoinAccept(bytes: Uint8Array, rfuBits: number): Decoded<PhyPayload> {
  // LoRaWAN 1.1, section 6.2.3, figure 45: one or two AES blocks follow MHDR.
  if (bytes.length !== 17 && bytes.length !== 33) {
    const need = bytes.length < 17 ? 17 : 33;
    return malformed("wrongLength", Math.min(bytes.length, need), need, bytes.length);
  }
  return done({ messageType: "JoinAccept", direction: "down", encrypted: bytes.subarray(1), rfuBits });
}

function decodeRejoinRequest(bytes: Uint8Array, rfuBits: number): Decoded<PhyPayload> {
  // LoRaWAN 1.1, section 6.2.4, figures 46 and 47: 19 octets in types 0 and 2, 24 in type 1.
  const rejoinType = octet(bytes, 1);
  const need = rejoinType === 1 ? 24 : 19;
  const lengthFits = rejoinType <= 2 ? bytes.length === need : bytes.length === 19 || bytes.length === 24;
  if (!lengthFits) return malformed("wrongLength", Math.min(bytes.length, need), need, bytes.length);
  if (rejoinType !== 0 && rejoinType !== 1 && rejoinType !== 2) {
    return malformed("unknownRejoinType", 1, undefined, undefined, `type ${rejoinType}`);
  }
  const head = { messageType: "RejoinRequest", direction: "up", rejoinType, rfuBits } as const;
  if (rejoinType === 1) {
    return done({
      ...head,
      netId: null,
      joinEui: identifierAt(bytes, 2, 8),
      devEui: identifierAt(bytes, 10, 8),
      rjCount: littleEndian(bytes, 18, 2),
      mic: bytes.subarray(20),
    });
  }
  return done({
    ...head,
    netId: identifierAt(bytes, 2, 3),
    joinEui: null,
    devEui: identifierAt(bytes, 5, 8),
    rjCount: littleEndian(bytes, 13, 2),
    mic: bytes.subarray(15),
  });
}

function done(value: PhyPayload): Decoded<PhyPayload> {
  return { ok: true, value };
}

function malformed(
  reason: PhyPayloadFault,
  at: number,
  need?: number,
  have?: number,
  detail?: string,
): Decoded<PhyPayload> {
  const fault: WireFault = {
    reason,
    layer: "lorawan",
    at,
    ...(need === undefined ? {} : { need }),
    ...(have === undefined ? {} : { have }),
    ...(detail === undefined ? {} : { detail }),
  };
  return { ok: false, fault };
}

// How does a message become a PHYPayload? The inverse of decodePhyPayload: what it reads, this writes, octet for octet.
// Source: LoRaWAN 1.1, sections 4 and 6.2.
// Nothing is encrypted and no MIC is computed here: the caller hands in ciphertext and MIC (see frame-mic.ts and
// frame-mic.ts), because both need the octets that this file lays out.

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
