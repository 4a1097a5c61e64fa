/**
 * How long before its moment must a downlink be at the gateway, and did this one come too late?
 * Source: jitqueue.c of the reference daemons (start 1.5 ms + margin 1 ms + pre-delay 30 ms on SX1301, 40 ms on SX1302).
 */

/** The SX1302 daemon's latest moment; the SX1301 daemon takes 32.5 ms. Microseconds before sending. */
export const DEADLINE_US = 42_500;
/** Room for the path from here to the gateway and its machine. Common practice, no source: about 50 ms in all. */
export const COMFORTABLE_LEAD_US = 50_000;

export interface DownlinkFate {
  /** counter, immediate, gps, unsaid; null: not known. */
  readonly moment: string | null;
  readonly leadUs: number | null;
  readonly outcome: string | null;
  readonly word: string | null;
}

/**
 * "late", "in-time", or null when nothing says. The gateway's word counts first. TOO_EARLY with hardly any lead is late
 * all the same: the reference daemon subtracts without sign, and a moment just past looks more than an hour ahead.
 */
export function lateness({ moment, leadUs, outcome, word }: DownlinkFate): "late" | "in-time" | null {
  if (moment !== "counter") return null;
  if (outcome === "refused") {
    const said = word?.toUpperCase();
    if (said === "TOO_LATE") return "late";
    if (said === "TOO_EARLY") return leadUs !== null && leadUs < COMFORTABLE_LEAD_US ? "late" : null;
    return "in-time";
  }
  if (outcome === "accepted" || outcome === "accepted-lower-power") return "in-time";
  if (leadUs === null) return null;
  return leadUs < DEADLINE_US ? "late" : "in-time";
}

// In which receive window of which uplink is a downlink to be sent? The gateway's counter says how long after the uplink;
// the frequency and data rate say which of the two windows that delay stands for.
// Sources: LoRaWAN 1.0.4, section 3.3 (RX1 opens RECEIVE_DELAY1 after the uplink, RX2 one second later) and 6.2.5 (joins);
// RXTimingSetupReq sets RECEIVE_DELAY1 to 1 to 15 s (section 5.7).

/** A server computes the moment from the uplink's counter. Chosen: room for rounding. */
export const WINDOW_SLACK_US = 1_000;
/** Whole seconds after an uplink at which a window may open: RECEIVE_DELAY1 up to 15 s, RX2 a second later. */
export const MAX_DELAY_S = 16;
/** JOIN_ACCEPT_DELAY1 and 2; Regional Parameters, the same in every region. */
const JOIN_DELAYS_S = [5, 6] as const;

/**
 * RX2 frequencies by default, Hz. Regional Parameters RP002 (EU863-870, US902-928 and AU915-928, CN470-510, IN865-867,
 * KR920-923, AS923-1), from memory.
 */
const RX2_DEFAULT_HZ: ReadonlySet<number> = new Set([
  869_525_000, 923_300_000, 505_300_000, 866_550_000, 921_900_000, 923_200_000,
]);

export type ReceiveWindow = "rx1" | "rx2" | "join-rx1" | "join-rx2" | "rx";

export interface WindowQuestion {
  readonly delayUs: number;
  readonly isJoin: boolean;
  readonly downlink: { readonly frequencyHz: number | null; readonly bandwidthHz: number | null };
  readonly uplink: { readonly frequencyHz: number | null; readonly bandwidthHz: number | null };
}

/** The window, or null when the delay is none that a window has. "rx": one of the two, and nothing says which. */
export function receiveWindow({ delayUs, isJoin, downlink, uplink }: WindowQuestion): ReceiveWindow | null {
  const seconds = Math.round(delayUs / 1_000_000);
  if (Math.abs(delayUs - seconds * 1_000_000) > WINDOW_SLACK_US) return null;
  if (isJoin) {
    if (seconds === JOIN_DELAYS_S[0]) return "join-rx1";
    return seconds === JOIN_DELAYS_S[1] ? "join-rx2" : null;
  }
  if (seconds < 1 || seconds > MAX_DELAY_S) return null;
  // RX2 opens no sooner than 2 s after the uplink.
  if (seconds === 1) return "rx1";
  if (downlink.frequencyHz !== null && downlink.frequencyHz === uplink.frequencyHz) return "rx1";
  if (downlink.frequencyHz !== null && RX2_DEFAULT_HZ.has(downlink.frequencyHz)) {
    // Of a fixed plan's eight downlink channels the first is RX2's as well.
    return downlink.bandwidthHz === 500_000 && seconds > 2 ? "rx" : "rx2";
  }
  // Fixed plans answer an uplink of 125 kHz on one of eight channels of 500 kHz.
  if (downlink.bandwidthHz === 500_000 && uplink.bandwidthHz === 125_000) return "rx1";
  return seconds === 2 ? "rx2" : "rx";
}

// How are many durations kept in little room, so that any window's median and 99th percentile can be known? Counted in
// classes a quarter of an octave wide: what is read back is right to within a tenth.

/** Asked, while relaying: an answer that is missing was not given. */
export const ASKED_IN_LINE = -1;
/** Asked in a capture that holds no answer to this source: nothing says whether one was given. */
export const ASKED_ONE_SIDED = -2;
/** Asked in a capture that holds answers to this source: an answer that is missing did not pass there. */
export const ASKED_BOTH_SIDES = -3;

const MIN_US = 100;
const CLASSES_AN_OCTAVE = 4;

/** The class of a duration in microseconds, 0 and up; all below 100 us are one. */
export function roundTripClass(durationUs: number): number {
  if (!(durationUs > MIN_US)) return 0;
  return Math.round(CLASSES_AN_OCTAVE * Math.log2(durationUs / MIN_US));
}

/** The middle of a class, milliseconds. */
export function classMs(roundTripClass: number): number {
  return (MIN_US * 2 ** (roundTripClass / CLASSES_AN_OCTAVE)) / 1000;
}

/** The duration that this share (0 to 1) of all does not exceed, milliseconds; null without any. */
export function quantileMs(counts: ReadonlyMap<number, number>, share: number): number | null {
  const classes = [...counts].filter(([one]) => one >= 0).sort(([a], [b]) => a - b);
  const total = classes.reduce((sum, [, count]) => sum + count, 0);
  let below = 0;
  for (const [one, count] of classes) {
    below += count;
    if (below >= share * total && total > 0) return classMs(one);
  }
  return null;
}
