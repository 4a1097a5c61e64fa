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
