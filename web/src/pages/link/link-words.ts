/** How is a step of a link said, in local time? */
import type { LinkShift } from "../../../../src/contract/link.ts";
import { db } from "../../format/format.ts";
import { hourMinute, momentTime, nearTime } from "../../format/times.ts";

const TITLES = { snr: "SNR", "signal-power": "signal power", "channel-rssi": "RSSI" } as const;
/** A change that is longer is told by begin and end. */
const SPELLED_MS = 10 * 60_000;

/** "SNR fell by 6.1 dB at about 09:40"; `nowMs` decides whether the day is named. */
export function shiftWords(shift: LinkShift, nowMs: number): string {
  const size = `${shift.atLeast ? "at least " : ""}${db(Math.abs(shift.sizeDb))}`;
  const [from, to] = [Date.parse(shift.notBefore), Date.parse(shift.notAfter)];
  const when =
    to - from > SPELLED_MS
      ? `between ${nearTime(from, nowMs)} and ${hourMinute(to)}`
      : `at about ${nearTime(Date.parse(shift.at), nowMs)}`;
  const rate = shift.withDataRateChange ? ", together with a change of data rate" : "";
  return `${TITLES[shift.measure]} ${shift.sizeDb < 0 ? "fell" : "rose"} by ${size} ${when}${rate}`;
}

/** "14 Mar 09:40" of a window that lies in the past, "09:40" today. */
export function stepTime(atMs: number, spanMs: number, nowMs: number): string {
  return spanMs > 86_400_000 ? momentTime(atMs, nowMs) : hourMinute(atMs);
}
