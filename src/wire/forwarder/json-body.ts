/**
 * What JSON object does a datagram carry? The body's octets become one plain object, or nothing with the
 * reason noted. Known fields are read by name later, so that no key a stranger invents reaches a prototype.
 */

import { isAscii, isUtf8 } from "node:buffer";
import { fieldType, isJsonObject, type JsonObject, type OddityLog, type Reason } from "./fields.ts";

// How deep is a JSON text nested, and where does its first value end? Asked before `JSON.parse` sees a
// byte of a stranger's datagram. One pass, no recursion, no judgement of the syntax: up to the first
// syntax error the brackets are counted exactly as a parser would, and behind it the parser stops.

interface JsonShape {
  /** Deepest nesting met; counting stops one level above the limit. */
  readonly deepest: number;
  /** Brackets still open at the end of the text. */
  readonly depth: number;
  /** Whether the text ends inside a string. */
  readonly inString: boolean;
  /** Index behind the bracket that closes the first value; -1 when none does. */
  readonly end: number;
  /** Index behind the first array that is a value of the root object; -1 when there is none. */
  readonly firstArrayEnd: number;
  /** Index of the last comma outside strings, and how many brackets were open there. */
  readonly lastComma: number;
  readonly lastCommaDepth: number;
}

/** Walks the text until its first value closes, the limit is passed, or the text ends. */
function measureJson(text: string, depthLimit: number): JsonShape {
  let depth = 0;
  let deepest = 0;
  let inString = false;
  let end = -1;
  let firstArrayEnd = -1;
  let lastComma = -1;
  let lastCommaDepth = 0;
  for (let at = 0; at < text.length; at++) {
    const code = text.charCodeAt(at);
    if (inString) {
      if (code === 0x5c /* \ */) at++;
      else if (code === 0x22 /* " */) inString = false;
      continue;
    }
    if (code === 0x22) {
      inString = true;
    } else if (code === 0x2c /* , */) {
      lastComma = at;
      lastCommaDepth = depth;
    } else if (code === 0x7b /* { */ || code === 0x5b /* [ */) {
      depth++;
      if (depth > deepest) deepest = depth;
      if (deepest > depthLimit) break;
    } else if (code === 0x7d /* } */ || code === 0x5d /* ] */) {
      depth--;
      if (depth === 1 && code === 0x5d && firstArrayEnd < 0) firstArrayEnd = at + 1;
      if (depth <= 0) {
        end = at + 1;
        break;
      }
    }
  }
  return {
    deepest,
    depth,
    inString,
    end,
    firstArrayEnd,
    lastComma,
    lastCommaDepth,
  };
}

// Can a body that `JSON.parse` refused still be read without guessing? Four known faults of forwarders can,
// each by one mechanical step; everything else stays refused. All steps are linear in the text's length.

/** The parsed value of a repaired text, or undefined; what was done is noted in the log. */
function repairJson(text: string, log: OddityLog): unknown {
  const done: Reason[] = [];
  let repaired = replaceNotNumbers(text);
  if (repaired !== text) done.push("json_nan");
  // Basic daemon v1.0.0 printed tmst padded with zeros to ten digits, which is not JSON.
  const unpadded = repaired.replace(/("tmst"\s*:\s*)0+(?=\d)/g, "$1");
  if (unpadded !== repaired) done.push("json_repaired");
  repaired = unpadded;
  let value = done.length > 0 ? parseOrUndefined(repaired) : undefined;
  if (value !== undefined) return report(value, done, log);

  const shape = measureJson(repaired, depthLimit);
  // One brace must complete the text; a cut inside an element leaves more than that open.
  if (shape.depth === 1 && !shape.inString && /[\]}]$/.test(repaired)) {
    value = parseOrUndefined(`${repaired}}`);
    if (value !== undefined) return report(value, [...done, "json_repaired"], log);
  }
  const statusAt = statusStart(repaired, shape);
  if (statusAt < 0) return undefined;
  // A status text cut by its 200-octet buffer gets one brace appended, never two: `"desc}`.
  const isCut = (shape.depth > 0 || shape.inString) && !repaired.endsWith("}}");
  if (isCut && shape.lastComma > statusAt && shape.lastCommaDepth === 2) {
    value = parseOrUndefined(`${repaired.slice(0, shape.lastComma)}}}`);
    if (value !== undefined) return report(value, [...done, "stat_repaired"], log);
  }
  // Packets that were closed before a spoilt status report are whole: only the report is refused.
  if (statusAt > 0) {
    value = parseOrUndefined(`${repaired.slice(0, statusAt)}}`);
    if (value !== undefined) return report(value, [...done, "json_syntax"], log);
  }
  return undefined;
}

function report(value: unknown, done: readonly Reason[], log: OddityLog): unknown {
  for (const reason of done) log.note(reason, true);
  return value;
}

/** JSON.parse with its exception turned into undefined (which JSON cannot express). */
function parseOrUndefined(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

/** Index from which a root-level `stat` object runs: 0 when it is the first key, else behind `rxpk`; -1 if none. */
function statusStart(text: string, shape: JsonShape): number {
  // The multi-server daemon puts a short `time` before the rest of the root object.
  if (/^\{\s{0,8}(?:"time"\s{0,8}:\s{0,8}"[^"\\]{0,40}"\s{0,8},\s{0,8})?"stat"\s{0,8}:\s{0,8}\{/.test(text))
    return 0;
  if (shape.firstArrayEnd < 0) return -1;
  const rest = text.slice(shape.firstArrayEnd, shape.firstArrayEnd + 64);
  return /^\s{0,8},\s{0,8}"stat"\s{0,8}:\s{0,8}\{/.test(rest) ? shape.firstArrayEnd : -1;
}

// C's %f prints these words for values that are no numbers.
const notNumber = /([:,[]\s*)[-+]?(?:nan|inf|infinity)(?=\s*(?:[,}\]]|$))/gi;

/** Puts null wherever a value outside strings is the C word for not-a-number or infinity. */
function replaceNotNumbers(text: string): string {
  if (!/nan|inf/i.test(text)) return text;
  let out = "";
  let from = 0;
  while (from < text.length) {
    const quote = text.indexOf('"', from);
    if (quote < 0) return out + text.slice(from).replace(notNumber, "$1null");
    const behind = behindString(text, quote);
    out += text.slice(from, quote).replace(notNumber, "$1null") + text.slice(quote, behind);
    from = behind;
  }
  return out;
}

function behindString(text: string, quote: number): number {
  for (let at = quote + 1; at < text.length; at++) {
    const code = text.charCodeAt(at);
    if (code === 0x5c) at++;
    else if (code === 0x22) return at + 1;
  }
  return text.length;
}

// Chosen: the deepest body that any known forwarder sends has 5 levels (root, rxpk, packet, rsig, entry).
const depthLimit = 16;

// RFC 8200 section 4.5 and RFC 768: 65 535 octets of IPv6 payload minus the 8 of the UDP header. A longer
// "datagram" never crossed a network whole: it fills a receive buffer and may have been cut by it.
const longestDatagram = 65_527;

/**
 * Reads the JSON object from octet `at` to the end. `empty`: nothing but NULs and white space there.
 * `broken`: refused, the reason is in the log. `mayRepair` allows the mechanical repairs of json-body.ts.
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
