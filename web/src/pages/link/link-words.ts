/** How is a step of a link said, in local time? */
import type { LinkShift } from "../../../../src/contract/link.ts";
import { db } from "../../format/format.ts";
import { hourMinute, momentTime, nearTime } from "../../format/times.ts";

const TITLES = { snr: "SNR", "signal-power": "signal power", "channel-rssi": "RSSI" } as const;
/** To the nearest minute: a step is dated no finer. */
function minute(iso: string): number {
  return Math.round(Date.parse(iso) / 60_000) * 60_000;
}

/** A change that is longer is told by begin and end. */
const SPELLED_MS = 10 * 60_000;

/** "SNR fell by 6.1 dB at about 09:40"; `nowMs` decides whether the day is named. */
export function shiftWords(shift: LinkShift, nowMs: number): string {
  const size = `${shift.atLeast ? "at least " : ""}${db(Math.abs(shift.sizeDb))}`;
  const [from, to] = [minute(shift.notBefore), minute(shift.notAfter)];
  const when =
    to - from > SPELLED_MS
      ? `between ${nearTime(from, nowMs)} and ${hourMinute(to)}`
      : `at about ${nearTime(minute(shift.at), nowMs)}`;
  const rate = shift.withDataRateChange ? ", together with a change of data rate" : "";
  return `${TITLES[shift.measure]} ${shift.sizeDb < 0 ? "fell" : "rose"} by ${size} ${when}${rate}`;
}

/** "14 Mar 09:40" of a window that lies in the past, "09:40" today. */
export function stepTime(atMs: number, spanMs: number, nowMs: number): string {
  const at = Math.round(atMs / 60_000) * 60_000;
  return spanMs > 86_400_000 ? momentTime(at, nowMs) : hourMinute(at);
}
