/**
 * What JSON object does a datagram carry? The body's octets become one plain object, or nothing with the
 * reason noted. Known fields are read by name later, so that no key a stranger invents reaches a prototype.
 */
import { isAscii, isUtf8 } from "node:buffer";
import { fieldType } from "./fields.ts";
import { parseOrUndefined, repairJson } from "./json-repair.ts";
import { measureJson } from "./json-shape.ts";
import type { OddityLog } from "./oddity-log.ts";

export type JsonObject = Readonly<Record<string, unknown>>;

// Chosen: the deepest body that any known forwarder sends has 5 levels (root, rxpk, packet, rsig, entry).
const depthLimit = 16;

// RFC 8200 section 4.5 and RFC 768: 65 535 octets of IPv6 payload minus the 8 of the UDP header. A longer
// "datagram" never crossed a network whole: it fills a receive buffer and may have been cut by it.
const longestDatagram = 65_527;

export function isJsonObject(value: unknown): value is JsonObject {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

/**
 * Reads the JSON object from octet `at` to the end. `empty`: nothing but NULs and white space there.
 * `broken`: refused, the reason is in the log. `mayRepair` allows the mechanical repairs of json-repair.ts.
 */
export function readBody(
  bytes: Uint8Array,
  at: number,
  log: OddityLog,
  mayRepair: boolean,
): JsonObject | "empty" | "broken" {
  if (bytes.length > longestDatagram) {
    log.note("big", true, `${bytes.length} octets`);
    return "broken";
  }
  const from = skipLeading(bytes, at);
  const to = skipTrailing(bytes, from);
  if (to <= from) {
    if (bytes.length > at) log.note("trailing", false, `${bytes.length - at} octets without content`);
    return "empty";
  }
  if (from > at) log.note("leading", false, `${from - at} octets`);
  if (to < bytes.length) log.note("trailing", false, `${bytes.length - to} octets`);

  const body = Buffer.from(bytes.buffer, bytes.byteOffset + from, to - from);
  const text = isAscii(body) ? body.toString("latin1") : body.toString("utf8");
  const shape = measureJson(text, depthLimit);
  if (shape.deepest > depthLimit) {
    log.note("json_depth", true, `more than ${depthLimit} levels`);
    return "broken";
  }
  // A second object, or anything else behind the first value, is left aside.
  const first = shape.end > 0 ? text.slice(0, shape.end) : text;
  let value = parseOrUndefined(first);
  if (value === undefined && mayRepair && first.startsWith("{")) value = repairJson(first, log);
  if (value === undefined) {
    log.note("json_syntax", true, `begins ${JSON.stringify(text.slice(0, 40))}`);
    return "broken";
  }
  if (!isJsonObject(value)) {
    log.note("json_root", true, fieldType(value));
    return "broken";
  }
  if (shape.end > 0 && shape.end < text.length)
    log.note("trailing", true, `${text.length - shape.end} characters`);
  // The C programs paste what a person typed into strings: Latin-1 octets are read as replacement characters.
  if (first.includes("\uFFFD") && !isUtf8(body)) log.note("utf8", true);
  return value;
}

function isSpace(octet: number | undefined): boolean {
  return octet === 0x20 || octet === 0x0a || octet === 0x0d || octet === 0x09;
}

/** Index of the first octet behind white space and a UTF-8 byte order mark. */
function skipLeading(bytes: Uint8Array, at: number): number {
  let from = at;
  while (isSpace(bytes[from])) from++;
  if (bytes[from] === 0xef && bytes[from + 1] === 0xbb && bytes[from + 2] === 0xbf) from += 3;
  while (isSpace(bytes[from])) from++;
  return from;
}

/** Index behind the last octet that is neither NUL nor white space. */
function skipTrailing(bytes: Uint8Array, from: number): number {
  let to = bytes.length;
  while (to > from && (bytes[to - 1] === 0 || isSpace(bytes[to - 1]))) to--;
  return to;
}
