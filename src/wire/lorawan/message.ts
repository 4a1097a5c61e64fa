/**
 * Which messages does LoRaWAN know, and what does each carry in clear?
 * Source: LoRaWAN 1.1, sections 4 and 6.2 (figures 9 to 17 and 44 to 47); LoRaWAN L2 1.0.4, section 4.
 * Octet fields are views of the packet. Identifiers are upper-case hex, most significant octet first.
 */
import type { DevAddr, Eui } from "../../model/identifiers.ts";

export type Direction = "up" | "down";

export type DataMessageType =
  | "UnconfirmedDataUp"
  | "UnconfirmedDataDown"
  | "ConfirmedDataUp"
  | "ConfirmedDataDown";

/** Frame control, uplink: bit 4 says that a class B device has switched to class B. */
export interface FCtrlUp {
  readonly adr: boolean;
  readonly adrAckReq: boolean;
  readonly ack: boolean;
  readonly classB: boolean;
  /** Octets of FOpts, 0 to 15. */
  readonly fOptsLength: number;
  readonly raw: number;
}

/** Frame control, downlink: bit 4 says that more downlink waits. */
export interface FCtrlDown {
  readonly adr: boolean;
  readonly ack: boolean;
  readonly fPending: boolean;
  readonly fOptsLength: number;
  readonly raw: number;
}

interface DataFrameBody {
  readonly devAddr: DevAddr;
  /** The low 16 bits of the frame counter, all that is sent. */
  readonly fCnt: number;
  /** Clear MAC commands in 1.0.x, ciphertext in 1.1; which of the two cannot be read from the frame. */
  readonly fOpts: Uint8Array;
  /** null when the frame ends after FOpts. */
  readonly fPort: number | null;
  /** Ciphertext, always. */
  readonly frmPayload: Uint8Array;
  readonly mic: Uint8Array;
  /** Bits 4-2 of MHDR, 0 in a sound frame. */
  readonly rfuBits: number;
}

export interface DataFrameUp extends DataFrameBody {
  readonly messageType: "UnconfirmedDataUp" | "ConfirmedDataUp";
  readonly direction: "up";
  readonly fCtrl: FCtrlUp;
}

export interface DataFrameDown extends DataFrameBody {
  readonly messageType: "UnconfirmedDataDown" | "ConfirmedDataDown";
  readonly direction: "down";
  readonly fCtrl: FCtrlDown;
}

export type DataFrame = DataFrameUp | DataFrameDown;

export interface JoinRequest {
  readonly messageType: "JoinRequest";
  readonly direction: "up";
  /** Called AppEUI before 1.1. */
  readonly joinEui: Eui;
  readonly devEui: Eui;
  readonly devNonce: number;
  readonly mic: Uint8Array;
  readonly rfuBits: number;
}

/** Without the key only its length is known; everything after MHDR, MIC included, is one ciphertext. */
export interface JoinAccept {
  readonly messageType: "JoinAccept";
  readonly direction: "down";
  /** 16 octets, or 32 with a CFList. */
  readonly encrypted: Uint8Array;
  readonly rfuBits: number;
}

export interface RejoinRequest {
  readonly messageType: "RejoinRequest";
  readonly direction: "up";
  readonly rejoinType: 0 | 1 | 2;
  /** 6 upper-case hex digits; null in type 1. */
  readonly netId: string | null;
  /** null in types 0 and 2. */
  readonly joinEui: Eui | null;
  readonly devEui: Eui;
  /** RJcount0 in types 0 and 2, RJcount1 in type 1. */
  readonly rjCount: number;
  readonly mic: Uint8Array;
  readonly rfuBits: number;
}

/** Only MHDR is defined; a MIC must not be assumed. */
export interface Proprietary {
  readonly messageType: "Proprietary";
  readonly direction: "unknown";
  readonly payload: Uint8Array;
  readonly rfuBits: number;
}

export type PhyPayload = DataFrame | JoinRequest | JoinAccept | RejoinRequest | Proprietary;

/** Why a PHYPayload is malformed; counted by these words, in the order in which they are checked. */
export type PhyPayloadFault =
  | "empty"
  | "unsupportedMajor"
  | "wrongLength"
  | "tooShort"
  | "fOptsOverrun"
  | "fOptsWithFPort0"
  | "unknownRejoinType"
  | "macPayloadTooLong";

/** LoRaWAN 1.1, table 1 (figure 10): message types by MType; 110 was RFU before 1.1. */
export const MESSAGE_TYPES = [
  "JoinRequest",
  "JoinAccept",
  "UnconfirmedDataUp",
  "UnconfirmedDataDown",
  "ConfirmedDataUp",
  "ConfirmedDataDown",
  "RejoinRequest",
  "Proprietary",
] as const;
export type MessageType = (typeof MESSAGE_TYPES)[number];
