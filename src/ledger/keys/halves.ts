/**
 * Which upper counter halves are worth a trial, and what does a proved counter mean against the last one?
 * Only the low 16 bits are on air (LoRaWAN 1.0.2, section 4.3.1.5), so the upper half must be found by the MIC.
 */
import {
  acknowledged,
  type FrameIdentity,
  splitMic,
  TX_CHANNELS,
  TX_DATA_RATES,
  type UplinkMicInputs,
  uplinkMicS,
} from "../../wire/lorawan/frame-mic.ts";
import { sameOctets } from "../../wire/lorawan/octets.ts";
import type { DataFrame } from "../../wire/lorawan/phy-payload.ts";

/**
 * Upper halves tried for a whole MIC when a counter of the node is known. Chosen: the last half, twelve after it or
 * before it are years of silence or of buffering, and a foreign frame costs under a millisecond.
 */
const TRIED_WHOLE = 16;
/** When none is known yet: 256 halves are 16.8 million frames, five years of one every ten seconds. Chosen. */
const TRIED_WHOLE_FIRST = 256;
/** For half a MIC, where each trial passes by chance with 2^-16: the four halves that a living node can be in. Chosen. */
const TRIED_HALF = 4;
/** When none is known yet. Chosen: a million frames; a foreign frame passes with 2.4e-4. */
const TRIED_HALF_FIRST = 16;
const HIGHEST = 0xffff;

/**
 * Upper halves in the order of trial: the last one (h), h + 1 after a rollover, 0 after a reset, h - 1 for a late frame,
 * then further ones upwards from h and from 0 in turn. A 16-bit counter has 0 alone.
 */
export function upperHalves(
  lastCounter: number | null,
  counterBits: 16 | 32 | null,
  half: boolean,
): readonly number[] {
  if (counterBits === 16) return [0];
  if (lastCounter === null) {
    return Array.from({ length: half ? TRIED_HALF_FIRST : TRIED_WHOLE_FIRST }, (_, high) => high);
  }
  const limit = half ? TRIED_HALF : TRIED_WHOLE;
  const last = Math.min(HIGHEST, Math.floor(lastCounter / 65_536));
  const order = new Set<number>();
  const add = (high: number) => {
    if (high >= 0 && high <= HIGHEST && order.size < limit) order.add(high);
  };
  for (const high of [last, last + 1, 0, last - 1]) add(high);
  for (let further = 1; order.size < limit; further++) {
    add(last + 1 + further);
    add(further);
  }
  return [...order];
}

/** What a proved counter is against the last one proved for the same node. */
export type CounterPlace =
  | { readonly kind: "first" }
  | { readonly kind: "same" }
  /** `steps` counters on, the ones between missed; a rollover is nothing special. */
  | { readonly kind: "forward"; readonly steps: number }
  /** A 16-bit counter wrapped: the ledger goes on with `counter`, though the MIC has upper half 0. */
  | { readonly kind: "wrapped"; readonly steps: number; readonly counter: number }
  /** `back` counters behind: late, sent again, or a reset. The number is proved, its meaning is not. */
  | { readonly kind: "behind"; readonly back: number };

export interface CounterPast {
  /** Last counter of the ledger, which goes on beyond 65535 for a 16-bit counter too. */
  readonly lastCounter: number | null;
  readonly counterBits: 16 | 32 | null;
  /** Most steps that the time since the last frame allows, as the keyless rules bound them. */
  readonly largestStep: number;
}

/**
 * Places a proved counter. While it is not known whether a node counts with 16 bits or 32, a fall just before the wrap
 * that the time allows is taken for a wrap: a reset at that very moment is far rarer.
 */
export function placeCounter(counter32: number, past: CounterPast): CounterPlace {
  const { lastCounter, counterBits, largestStep } = past;
  if (lastCounter === null) return { kind: "first" };
  const isLow = counter32 <= 0xffff;
  if (counter32 === lastCounter || (counterBits === 16 && counter32 === lastCounter % 65_536)) {
    return { kind: "same" };
  }
  if (counter32 > lastCounter) return { kind: "forward", steps: counter32 - lastCounter };
  const steps = (((counter32 - lastCounter) % 65_536) + 65_536) % 65_536;
  if (counterBits !== 32 && isLow && steps >= 1 && steps <= largestStep) {
    return { kind: "wrapped", steps, counter: lastCounter + steps };
  }
  const back = counterBits === 16 ? 65_536 - steps : lastCounter - counter32;
  return { kind: "behind", back };
}

// Do the first two MIC octets of a 1.1 uplink fit SNwkSIntKey? They depend on how the frame was sent, which it does not
// say: data rate index and the device's own channel index.
// Source: LoRaWAN 1.1, section 4.4 (block B1).

/** How an uplink was sent, in the device's own terms. */
export type Transmitted = Pick<UplinkMicInputs, "txDr" | "txCh">;

/** Pairs that a search tries, up to 40 ms of them: any of them fits a foreign frame with 2.3 %. */
const SERVING_TRIALS = TX_DATA_RATES * TX_CHANNELS;

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
  for (let txCh = 0; txCh < TX_CHANNELS; txCh++) {
    for (let txDr = 0; txDr < TX_DATA_RATES; txDr++) {
      if (fits({ txDr, txCh })) return { trials: SERVING_TRIALS, sent: { txDr, txCh } };
    }
  }
  return "refuted";
}
