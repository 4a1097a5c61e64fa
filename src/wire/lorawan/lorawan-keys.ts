/**
 * Which keys and outside facts can help to read a PHYPayload? All optional: what is missing stays encrypted or unchecked.
 * Source: LoRaWAN 1.1, section 6.1; LoRaWAN 1.0.2, section 6.1.
 */
import type { Eui } from "../../model/identifiers.ts";

/** The names under which keys are handed in, as a key file spells them. */
export const KEY_NAMES = [
  "nwkSKey",
  "appSKey",
  "fNwkSIntKey",
  "sNwkSIntKey",
  "nwkSEncKey",
  "appKey",
  "nwkKey",
  "jsIntKey",
  "jsEncKey",
] as const;
export type KeyName = (typeof KEY_NAMES)[number];

/** Keys of 16 octets. */
export type LorawanKeys = { readonly [name in KeyName]?: Uint8Array };

/** What a frame does not carry, but its MIC or its key stream depends on. */
export interface FrameFacts {
  /** Upper 16 bits of the frame counter, 0 to 65535; tried from 0 on when absent. */
  readonly fCntHigh?: number;
  /** 1.1 with ACK set: counter of the frame acknowledged, 0 to 65535. */
  readonly confFCnt?: number;
  /** 1.1 uplink: data rate index, 0 to 15; tried when absent. */
  readonly txDr?: number;
  /** 1.1 uplink: the device's channel index, 0 to 95; tried when absent. */
  readonly txCh?: number;
  /** Join-accept with OptNeg: DevNonce of the join, or RJcount of the rejoin, that it answers. */
  readonly devNonce?: number;
  readonly joinEui?: Eui;
  readonly devEui?: Eui;
  /** Join-accept: 255 answers a join-request, 0 to 2 a rejoin-request of that type; all tried when absent. */
  readonly joinReqType?: 0xff | 0 | 1 | 2;
}
