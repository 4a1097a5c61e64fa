/**
 * What number or text does one JSON field hold? Every reader answers null for what it cannot use and notes
 * why; none converts silently. `null` counts as absent everywhere.
 *
 * Plain readers instead of schemas: see the measured ratio in rxpk.ts.
 */
import type { Oddity } from "../../model/fault.ts";

export type JsonObject = Readonly<Record<string, unknown>>;

export function isJsonObject(value: unknown): value is JsonObject {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

export interface NumberRule {
  readonly min: number;
  readonly max: number;
  readonly integer?: boolean;
  /** Whether a value outside the range makes the raw datagram worth keeping. */
  readonly keepRaw?: boolean;
}

/** Octets of a number written as text beyond which nobody means a number. */
const numberTextLimit = 32;
// JSON's own grammar without the exponent (RFC 8259 section 6).
const strictDecimal = /^-?(?:0|[1-9]\d*)(?:\.\d+)?$/;

/** A number within the rule's range; text in strict decimal form is converted and counted (`num_string`). */
export function readNumber(object: JsonObject, key: string, rule: NumberRule, log: OddityLog): number | null {
  const field = object[key];
  if (field === undefined || field === null) return null;
  const value = toNumber(field, key, log);
  // Beyond 2^53 an integer is no longer the one that was sent; 1e999 parses as infinity.
  if (value !== null && Math.abs(value) > Number.MAX_SAFE_INTEGER) {
    log.note("range", true, `${key} ${value}`);
    return null;
  }
  if (
    value === null ||
    value < rule.min ||
    value > rule.max ||
    (rule.integer === true && !Number.isInteger(value))
  ) {
    log.note("range", rule.keepRaw === true, `${key} ${value ?? fieldType(field)}`);
    return null;
  }
  return value;
}

/** The field as a number of any size; null when it is none. Minus zero becomes zero. */
export function toNumber(field: unknown, key: string, log: OddityLog): number | null {
  // `%.0f` and `%.1f` print -0 and -0.0 for what rounds to zero from below.
  if (typeof field === "number") return field + 0;
  if (typeof field !== "string" || field.length > numberTextLimit || !strictDecimal.test(field)) return null;
  log.note("num_string", false, `${key} "${field}"`);
  return Number(field) + 0;
}

/**
 * Short text of a field for a detail: a primitive as it is, an object or array by its type only. Any JSON value may
 * come here, and `String()` of an object that holds a `toString` of its own throws.
 */
export function fieldText(field: unknown): string {
  if (typeof field === "string") return field;
  if (typeof field === "number" || typeof field === "boolean") return String(field);
  return fieldType(field);
}

/** The JSON type of a field: "array", "object", "null", "undefined" (absent), "string", "number" or "boolean". */
export function fieldType(field: unknown): string {
  if (field === null) return "null";
  return Array.isArray(field) ? "array" : typeof field;
}

/** Free text that a person entered, cut to `limit` characters and never through the middle of one. */
export function readText(object: JsonObject, key: string, limit: number, log: OddityLog): string | null {
  const field = object[key];
  if (field === undefined || field === null) return null;
  if (typeof field !== "string") {
    log.note("text", false, `${key} is ${fieldType(field)}`);
    return null;
  }
  // Markup and control characters are kept as they came: whoever shows the text escapes it.
  // biome-ignore lint/suspicious/noControlCharactersInRegex: these are the characters that are looked for
  if (field.length > limit || /[<>\u0000-\u001f\u007f-\u009f]/.test(field)) log.note("text", false, key);
  return cutText(field, limit);
}

/** At most `limit` UTF-16 units, without half a surrogate pair at the end. */
export function cutText(text: string, limit: number): string {
  if (text.length <= limit) return text;
  const last = text.charCodeAt(limit - 1);
  return text.slice(0, last >= 0xd800 && last <= 0xdbff ? limit - 1 : limit);
}

// Which octets does `data` hold? Base64 in either alphabet, padded or not (RFC 4648 sections 4 and 5); the
// decoded length is the truth, `size` is only compared with it.

// The radio's length field has eight bits.
const longestPayload = 255;

const alphabet = /^[A-Za-z0-9+/_-]*={0,2}$/;
const sizeRule = {
  min: 0,
  max: Number.MAX_SAFE_INTEGER,
  integer: true,
} as const;

/**
 * The PHYPayload; null when it cannot be read, is too long, or is missing although `size` says that there
 * was one. An announced length of zero gives no octets rather than null. Notes `base64`, `data_long`,
 * `data_empty`, `size_mismatch`.
 */
export function readPayload(object: JsonObject, log: OddityLog): Uint8Array | null {
  const { data } = object;
  const size = readNumber(object, "size", sizeRule, log);
  if (data === undefined || data === null || data === "") {
    log.note("data_empty", false, size === null ? "no size" : `size ${size}`);
    return size === 0 || (data === "" && size === null) ? new Uint8Array(0) : null;
  }
  if (typeof data !== "string") {
    log.note("base64", true, `data is ${fieldType(data)}`);
    return null;
  }
  // Checked first, so that a long text costs no decoding: four characters are three octets.
  if (data.length > (longestPayload / 3) * 4 + 2) {
    const isBase64 = alphabet.test(data);
    log.note(isBase64 ? "data_long" : "base64", true, `${data.length} characters`);
    return null;
  }
  const characters = data.indexOf("=") < 0 ? data.length : data.indexOf("=");
  if (!alphabet.test(data) || characters % 4 === 1) {
    log.note("base64", true, data);
    return null;
  }
  // Buffer reads both alphabets; the copy keeps a stored payload from holding the shared slab alive.
  const octets = new Uint8Array(Buffer.from(data, "base64"));
  if (octets.length > longestPayload) {
    log.note("data_long", true, `${octets.length} octets`);
    return null;
  }
  if (octets.length === 0) log.note("data_empty", false, data);
  if (size !== null && size !== octets.length)
    log.note("size_mismatch", false, `${size} for ${octets.length}`);
  return octets;
}

/** `size` and `data` as a forwarder writes them: standard alphabet, padded (PROTOCOL.TXT from revision 1.1 on). */
export function writePayload(payload: Uint8Array | null): string {
  if (payload === null) return "";
  const text = Buffer.from(payload.buffer, payload.byteOffset, payload.length).toString("base64");
  return `,"size":${payload.length},"data":"${text}"`;
}

// Which instant does a forwarder's time text name? ISO 8601 as the daemons print it, and the stray forms
// that others send. Whether the instant is believable is for those who know when the datagram arrived.

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

/** Microseconds from milliseconds since 1970, the form of the revision 1.3 draft; null when beyond what a number holds. */
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

// What was odd about one datagram, and was anything left unused for it? The reasons are the counters' names.

const notUsed = true;
const used = false;

/** Every reason that this folder's decoders give. */
const catalogue = {
  // Head: the datagram is dropped and not answered.
  short: notUsed,
  short_eui: notUsed,
  version: notUsed,
  ident: notUsed,
  direction: notUsed,
  // Body: the datagram is acknowledged, its body (or the `stat` in it) is not used.
  big: notUsed,
  body_empty: notUsed,
  body_unknown: notUsed,
  json_depth: notUsed,
  json_root: notUsed,
  json_syntax: notUsed,
  // Elements of `rxpk`: skipped, or kept without their payload.
  rxpk_element: notUsed,
  rxpk_many: notUsed,
  base64: notUsed,
  data_long: notUsed,
  // Odd, but used.
  v1_txack: used,
  trailing: used,
  leading: used,
  utf8: used,
  json_nan: used,
  json_repaired: used,
  stat_repaired: used,
  rxpk_empty: used,
  rxpk_object: used,
  num_string: used,
  range: used,
  tmst_missing: used,
  time_bad: used,
  freq: used,
  datr: used,
  modu: used,
  codr: used,
  crc_bad: used,
  crc_unknown: used,
  rsig: used,
  data_empty: used,
  size_mismatch: used,
  stat_odd: used,
  text: used,
  txack_unknown: used,
} as const satisfies Record<string, boolean>;

export type Reason = keyof typeof catalogue;

/** The reasons that mean: the datagram, a packet of it, its payload or its body was not used. */
export const refusedReasons: ReadonlySet<string> = new Set(
  Object.entries(catalogue)
    .filter(([, isNotUsed]) => isNotUsed)
    .map(([reason]) => reason),
);

const detailLimit = 80;

/** Collects the oddities of one datagram: each reason once a packet, so that a hostile body stays bounded. */
export class OddityLog {
  readonly entries: Oddity[] = [];
  private packetFrom = 0;

  /** From here on reasons are counted afresh: another packet begins. */
  beginPacket(): void {
    this.packetFrom = this.entries.length;
  }

  /** Notes what concerns several packets at once; the datagram is worth keeping. */
  noteSeveral(reason: Reason, count: number, detail: string): void {
    this.entries.push({ reason, keepRaw: true, detail: detail.slice(0, detailLimit), count });
  }

  note(reason: Reason, keepRaw: boolean, detail?: string): void {
    for (let index = this.packetFrom; index < this.entries.length; index++) {
      const entry = this.entries[index];
      if (entry?.reason !== reason) continue;
      if (keepRaw && !entry.keepRaw) this.entries[index] = { ...entry, keepRaw };
      return;
    }
    this.entries.push(
      detail === undefined ? { reason, keepRaw } : { reason, keepRaw, detail: detail.slice(0, detailLimit) },
    );
  }
}
