/**
 * Which instant does a forwarder's time text name? ISO 8601 as the daemons print it, and the stray forms
 * that others send. Whether the instant is believable is for those who know when the datagram arrived.
 */

/** Longest text that can be one of the forms. */
const textLimit = 40;

// PROTOCOL.TXT section 4: rxpk `time` is "ISO 8601 compact", stat `time` is "ISO 8601 expanded" with GMT.
// Fractions of any length, offsets, `UTC`, a blank for the T and no zone at all occur.
const form =
  /^(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?(?: ?(Z|GMT|UTC)| ?([+-])(\d\d):?(\d\d))?$/i;

/**
 * Microseconds since 1970 (UTC), cut to whole microseconds; null when the text is none of the known forms
 * or names a day or hour that does not exist. Without a zone it is UTC, as the protocol says.
 */
export function parseTimestamp(text: string): number | null {
  if (text.length > textLimit) return null;
  const match = form.exec(text.trim());
  if (match === null) return null;
  const [
    ,
    year,
    month,
    day,
    hour,
    minute,
    second,
    fraction = "",
    ,
    sign,
    offsetHour = "0",
    offsetMinute = "0",
  ] = match;
  // A leap second (:60) names the first instant of the next minute.
  if (Number(hour) > 23 || Number(minute) > 59 || Number(second) > 60) return null;
  const midnightMs = Date.UTC(Number(year), Number(month) - 1, Number(day));
  const midnight = new Date(midnightMs);
  // Date.UTC reads the years 0 to 99 as 1900 to 1999 and lets the 31st of June run over.
  if (midnight.getUTCMonth() !== Number(month) - 1 || midnight.getUTCFullYear() !== Number(year)) return null;
  if (Number(offsetHour) > 23 || Number(offsetMinute) > 59) return null;
  const offsetS = (sign === "-" ? -1 : 1) * (Number(offsetHour) * 3600 + Number(offsetMinute) * 60);
  const seconds = midnightMs / 1000 + Number(hour) * 3600 + Number(minute) * 60 + Number(second) - offsetS;
  return withinReach(seconds * 1e6 + Number(fraction.slice(0, 6).padEnd(6, "0")));
}

/** Microseconds from milliseconds since 1970, the form of the revision 1.3 draft; null when out of reach. */
export function timestampFromMs(ms: number): number | null {
  return withinReach(Math.round(ms * 1000));
}

function withinReach(us: number): number | null {
  return us >= 0 && us <= Number.MAX_SAFE_INTEGER ? us : null;
}

/** `2026-03-14T09:26:53.000000Z`, as the daemons print `time` in rxpk. */
export function formatPacketTime(us: number): string {
  const micros = Math.floor(us % 1e6);
  return `${new Date(Math.floor(us / 1e6) * 1000).toISOString().slice(0, 19)}.${String(micros).padStart(6, "0")}Z`;
}

/** `2026-03-14 09:26:53 GMT`, as the daemons print `time` in stat. */
export function formatStatusTime(us: number): string {
  return `${new Date(Math.floor(us / 1e6) * 1000).toISOString().slice(0, 19).replace("T", " ")} GMT`;
}
