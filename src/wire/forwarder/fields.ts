/**
 * What number or text does one JSON field hold? Every reader answers null for what it cannot use and notes
 * why; none converts silently. `null` counts as absent everywhere.
 *
 * Plain readers instead of schemas: see the measured ratio in rxpk.ts.
 */
import type { JsonObject } from "./body.ts";
import type { OddityLog } from "./oddity-log.ts";

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
