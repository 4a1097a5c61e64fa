/**
 * Can a body that `JSON.parse` refused still be read without guessing? Four known faults of forwarders can,
 * each by one mechanical step; everything else stays refused. All steps are linear in the text's length.
 */
import { type JsonShape, measureJson } from "./json-shape.ts";
import type { OddityLog, Reason } from "./oddity-log.ts";

const depthLimit = 16;

/** The parsed value of a repaired text, or undefined; what was done is noted in the log. */
export function repairJson(text: string, log: OddityLog): unknown {
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
export function parseOrUndefined(text: string): unknown {
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
