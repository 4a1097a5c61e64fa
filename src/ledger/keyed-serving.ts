/**
 * Do the first two MIC octets of a 1.1 uplink fit SNwkSIntKey? They depend on how the frame was sent, which it does not
 * say: data rate index and the device's own channel index.
 * Source: LoRaWAN 1.1, section 4.4 (block B1).
 */
import { type FrameIdentity, splitMic, uplinkMicS } from "../wire/lorawan/frame-mic.ts";
import { sameOctets } from "../wire/lorawan/octets.ts";
import type { DataFrame } from "../wire/lorawan/phy-payload.ts";

/** How an uplink was sent, in the device's own terms. */
export interface Transmitted {
  /** Data rate index, 0 to 15. */
  readonly txDr: number;
  /** Channel index, 0 to 95. */
  readonly txCh: number;
}

// LoRaWAN 1.1, section 4.4: TxDr is 4 bits wide in every region; TxCh reaches 95 in the plan with most channels.
const DATA_RATES = 16;
const CHANNELS = 96;
/** Pairs that a search tries, up to 40 ms of them: any of them fits a foreign frame with 2.3 %. */
export const SERVING_TRIALS = DATA_RATES * CHANNELS;

export interface ServingHint {
  readonly sent?: Transmitted;
  readonly confFCnt?: number;
}

/** The pair that fits and how many could have; `unchecked`: the key or the acknowledged counter is not known. */
export function trialsOfServing(
  phyPayload: Uint8Array,
  frame: DataFrame,
  identity: FrameIdentity,
  sNwkSIntKey: Uint8Array | undefined,
  hint: ServingHint,
  hintOnly = false,
): { readonly trials: number; readonly sent: Transmitted } | "refuted" | "unchecked" {
  const confFCnt = acknowledged(frame, hint);
  if (sNwkSIntKey === undefined || confFCnt === undefined) return "unchecked";
  const { message, mic } = splitMic(phyPayload);
  const wanted = mic.subarray(0, 2);
  const fits = (sent: Transmitted) =>
    sameOctets(uplinkMicS(sNwkSIntKey, message, identity, { confFCnt, ...sent }), wanted);
  if (hint.sent !== undefined && fits(hint.sent)) return { trials: 1, sent: hint.sent };
  if (hintOnly) return "refuted";
  // Channels outermost: most plans use few of them and every data rate.
  for (let txCh = 0; txCh < CHANNELS; txCh++) {
    for (let txDr = 0; txDr < DATA_RATES; txDr++) {
      if (fits({ txDr, txCh })) return { trials: SERVING_TRIALS, sent: { txDr, txCh } };
    }
  }
  return "refuted";
}

// LoRaWAN 1.1, section 4.4: ConfFCnt counts only when ACK is set in this frame, else it is 0.
export function acknowledged(frame: DataFrame, hint: ServingHint): number | undefined {
  return frame.fCtrl.ack ? hint.confFCnt : 0;
}
