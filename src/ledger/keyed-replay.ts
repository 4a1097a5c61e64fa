/**
 * The same counter proved again: did the node repeat the frame, did somebody replay it, or was the counter used twice?
 * Sources: LoRaWAN 1.0.3, section 5.2 and L2 1.0.4, section 5.2 (NbTrans); LoRaWAN 1.1, section 4.4 (of a 1.1 MIC the
 * first two octets depend on channel and data rate, so repeats share the last two alone).
 */
import { sameOctets } from "../wire/lorawan/octets.ts";

/** A transmission whose counter was proved with the node's keys. */
export interface ProvedFrame {
  readonly counter32: number;
  /** Four octets. */
  readonly mic: Uint8Array;
  /** See content.ts. */
  readonly content: number;
  /** When it was sent, as well as it is known: a gateway that delivers late must give its own time. */
  readonly atUs: number;
}

/** What bounds honest repeats. */
export interface RepeatBounds {
  /** Of one transmission. */
  readonly airtimeUs: number;
  /** As commanded; null: not known, up to 15. */
  readonly nbTrans: number | null;
  /** When a higher counter of this node was first heard; null: none was. */
  readonly newerAtUs: number | null;
}

export type SameCounter =
  | "repeat"
  /** The very frame, at a time at which the node does not send it any more. */
  | "replay"
  /** Another frame under the same counter and key: the key stream was used twice, which is a security finding. */
  | "counter-reuse"
  | "another-counter";

// LoRaWAN 1.1, section 5.3: NbTrans has 4 bits, 1 to 15.
const MOST_TRANSMISSIONS = 15;
// LoRaWAN 1.1, table 42: RX1 opens after at most 15 s, RX2 one second later; L2 1.0.4, section 5.2: RETRANSMIT_TIMEOUT
// is at most 3 s.
const LONGEST_PAUSE_US = (15 + 1 + 3) * 1_000_000;
/** A node that keeps a duty cycle of 1 % waits this often its airtime. Common practice, no source. */
const DUTY_CYCLE_PAUSE = 100;

/** The longest time from the first transmission of a frame to its last honest repeat. */
export function longestRepeatUs({ airtimeUs, nbTrans }: Pick<RepeatBounds, "airtimeUs" | "nbTrans">): number {
  const transmissions = nbTrans === null || nbTrans < 1 ? MOST_TRANSMISSIONS : nbTrans;
  return (transmissions - 1) * (airtimeUs * DUTY_CYCLE_PAUSE + LONGEST_PAUSE_US);
}

/** Judges a later transmission against the first one. */
export function judgeSameCounter(first: ProvedFrame, again: ProvedFrame, bounds: RepeatBounds): SameCounter {
  if (first.counter32 !== again.counter32) return "another-counter";
  const isSameFrame =
    first.content === again.content && sameOctets(first.mic.subarray(2), again.mic.subarray(2));
  if (!isSameFrame) return "counter-reuse";
  // TR007, section 4.12: a counter is left behind for good by the next one.
  if (bounds.newerAtUs !== null && again.atUs > bounds.newerAtUs) return "replay";
  return again.atUs - first.atUs <= longestRepeatUs(bounds) ? "repeat" : "replay";
}
