/**
 * Which stretch of time do all views show? Live with a length, or fixed from–to. It lives in the address bar
 * (`last=3600`, or `from=…&to=…`) and nowhere else.
 */
import { addDays, differenceInCalendarDays, isValid, parseISO, startOfDay } from "date-fns";
import { lastName } from "../../../src/words/format.ts";
import { windowWords } from "../format.ts";

export type WindowChoice =
  | { readonly kind: "live"; readonly lastSeconds: number }
  | { readonly kind: "fixed"; readonly fromMs: number; readonly toMs: number };

export const DEFAULT_WINDOW: WindowChoice = { kind: "live", lastSeconds: 3600 };

// The same ends as the API's window query.
const MIN_SECONDS = 10;
const MAX_SECONDS = 400 * 86_400;

/** Lengths that a live window takes while what came is younger than an hour, minutes. */
const FITTED_MINUTES = [1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60];

/** Returns the live window that starts about where datagrams started to come, at most an hour. */
export function fittedWindow(recentFromMs: number | null, nowMs: number): WindowChoice {
  if (recentFromMs === null) return DEFAULT_WINDOW;
  const minutes = FITTED_MINUTES.find((length) => length * 60_000 >= nowMs - recentFromMs);
  return minutes === undefined ? DEFAULT_WINDOW : { kind: "live", lastSeconds: minutes * 60 };
}

/** Returns whether an address says which window it means. */
export function namesWindow(params: URLSearchParams): boolean {
  return params.has("last") || params.has("from") || params.has("to");
}

/** The window an address asks for; what cannot be read gives the default rather than a broken page. */
export function windowFromParams(params: URLSearchParams): WindowChoice {
  const last = Number(params.get("last") ?? Number.NaN);
  if (Number.isInteger(last) && last >= MIN_SECONDS && last <= MAX_SECONDS)
    return { kind: "live", lastSeconds: last };
  const fromMs = Date.parse(params.get("from") ?? "");
  const toMs = Date.parse(params.get("to") ?? "");
  if (fromMs < toMs) return { kind: "fixed", fromMs, toMs };
  return DEFAULT_WINDOW;
}

/** The same window as parameters, for the address bar and for the API alike. */
export function windowToParams(choice: WindowChoice): [string, string][] {
  if (choice.kind === "live") return [["last", String(choice.lastSeconds)]];
  return [
    ["from", new Date(choice.fromMs).toISOString()],
    ["to", new Date(choice.toMs).toISOString()],
  ];
}

/** The ends of a window in epoch milliseconds; a live one ends now. */
export function windowEnds(choice: WindowChoice, nowMs: number): { fromMs: number; toMs: number } {
  if (choice.kind === "fixed") return choice;
  return { fromMs: nowMs - choice.lastSeconds * 1000, toMs: nowMs };
}

function isMidnight(ms: number): boolean {
  return startOfDay(ms).getTime() === ms;
}

/**
 * One window earlier (−1) or later (+1). Whole days step by the calendar, so a day of 23 or 25 hours does not
 * shift the next one; a step that would reach past now becomes live again with the same length.
 */
export function stepWindow(choice: WindowChoice, direction: -1 | 1, nowMs: number): WindowChoice {
  if (choice.kind === "live" && direction === 1) return choice;
  const { fromMs, toMs } = windowEnds(choice, nowMs);
  if (isMidnight(fromMs) && isMidnight(toMs)) {
    const days = differenceInCalendarDays(toMs, fromMs);
    const from = addDays(fromMs, direction * days).getTime();
    if (from > nowMs) return choice;
    return { kind: "fixed", fromMs: from, toMs: addDays(toMs, direction * days).getTime() };
  }
  const length = toMs - fromMs;
  const next = { fromMs: fromMs + direction * length, toMs: toMs + direction * length };
  if (direction === 1 && next.toMs >= nowMs) return { kind: "live", lastSeconds: Math.round(length / 1000) };
  return { kind: "fixed", ...next };
}

/** What the top line says of a window. */
export function describeWindow(choice: WindowChoice): string {
  if (choice.kind === "live") return lastName(choice.lastSeconds);
  return windowWords(choice.fromMs, choice.toMs);
}

/** A window that shows what is stored: all of it, or its newest month when it is longer. Ends on whole minutes. */
export function storedWindow(fromMs: number, toMs: number): WindowChoice {
  const minute = 60_000;
  const month = 31 * 86_400_000;
  const end = (Math.floor(toMs / minute) + 1) * minute;
  const start = Math.floor(fromMs / minute) * minute;
  return { kind: "fixed", fromMs: Math.max(start, end - month), toMs: end };
}

// Which window does a person mean who types "yesterday 14:00–16:00", "last 6 h" or "2026-03-14 09:00 – 11:00"?
// Understands days (today, yesterday, a weekday, 2026-03-14, 14 Mar 2026, 14.3.2026), times, and lengths. What is
// ambiguous (03/04/2026) is refused in words instead of guessed.

export type ReadWindow = { ok: true; choice: WindowChoice } | { ok: false; sentence: string };

const HINT = "Try “last 6 h”, “yesterday 14:00–16:00” or “2026-03-14 09:00 – 11:00”.";
const UNIT_SECONDS: Record<string, number> = { s: 1, m: 60, h: 3600, d: 86_400, w: 604_800 };
const WEEKDAYS = ["sun", "mon", "tue", "wed", "thu", "fri", "sat"];
const MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];
const LENGTH =
  /^(?:(?:the )?(?:last|past) )?(\d+(?:\.\d+)?)? ?(s|secs?|seconds?|m|mins?|minutes?|h|hrs?|hours?|d|days?|w|weeks?)$/;
const TIME = /^(\d{1,2})(?:[:.](\d{2}))?(?::(\d{2}))?(?: ?h)?$/;
const STAMP = /^\d{4}-\d{2}-\d{2}t\d{2}:\d{2}(:\d{2}(\.\d+)?)?(z|[+-]\d{2}:?\d{2})?$/;

function refuse(sentence: string): ReadWindow {
  return { ok: false, sentence: `${sentence} ${HINT}` };
}

/** The window that `text` names, as seen from `nowMs`, in the local zone; or a sentence that says what was not understood. */
export function readWindow(text: string, nowMs: number): ReadWindow {
  const words = text
    .trim()
    .toLowerCase()
    .replace(/[\u2009\u00A0\u202F]/g, " ")
    .replace(/\s+/g, " ")
    .replace(/^live\b[ ,:·]*/, "last ");
  if (words === "" || words === "last ") return refuse("Nothing was typed.");
  const length = readLength(words);
  if (length !== null) {
    if (length < 10) return refuse("A window is at least 10 seconds long.");
    if (length > 400 * 86_400) return refuse("A window is at most 400 days long.");
    return { ok: true, choice: { kind: "live", lastSeconds: Math.round(length) } };
  }
  if (words.startsWith("since ")) return between(words.slice(6), null, nowMs);
  const [left, right, ...more] = splitEnds(words);
  if (more.length > 0) return refuse("There are more than two ends in that.");
  return between(left ?? "", right ?? null, nowMs);
}

export type ReadMoment = { ok: true; ms: number } | { ok: false; sentence: string };

/**
 * The moment that `text` names: "now", "14:02", "yesterday 14:00", "14 Mar 2026 09:30". A time alone is of the day of
 * `aroundMs`; where that is still to come, of the day before.
 */
export function readMoment(text: string, nowMs: number, aroundMs: number): ReadMoment {
  const words = text
    .replace(/[\u2009\u00A0\u202F]/g, " ")
    .trim()
    .toLowerCase();
  const end = words === "" ? null : readEnd(words, nowMs);
  if (end === null || (end.seconds === null && end.exactMs === null))
    return {
      ok: false,
      sentence: `“${text.trim()}” is not a time. Try “now”, “14:02” or “2026-03-14 09:30”.`,
    };
  const day = startOfDay(aroundMs).getTime();
  const ms = moment(end, day);
  const early = end.day === null && end.exactMs === null && ms > nowMs;
  return { ok: true, ms: early ? moment(end, addDays(day, -1).getTime()) : ms };
}

function readLength(words: string): number | null {
  const match = LENGTH.exec(words);
  if (match === null) return null;
  if (match[1] === undefined && !/^(the )?(last|past) /.test(words)) return null;
  // Every unit is known by its first letter.
  return Number(match[1] ?? 1) * (UNIT_SECONDS[match[2]?.[0] ?? ""] ?? Number.NaN);
}

/** Ends are parted by a dash with spaces, a long dash, "to" or "until", or a hyphen that stands between two times. */
function splitEnds(words: string): string[] {
  const plain = words.replace(/^from /, "");
  const parts = plain.split(/ ?[–—] ?| - | to | until /);
  if (parts.length > 1) return parts;
  const times = /^(.*?\d{1,2}(?::\d{2})?) ?- ?(\d{1,2}:\d{2}|24:00)$/.exec(plain);
  if (times !== null && !STAMP.test(plain)) return [times[1] ?? "", times[2] ?? ""];
  return parts;
}

interface End {
  /** Local midnight of the day named; null when only a time was given. */
  readonly day: number | null;
  /** Minutes and seconds after midnight, in seconds; null when only a day was given. */
  readonly seconds: number | null;
  /** An exact moment, when one was written with date and time in one word. */
  readonly exactMs: number | null;
}

function between(left: string, right: string | null, nowMs: number): ReadWindow {
  if (/\d\/\d/.test(left) || /\d\/\d/.test(right ?? ""))
    return refuse("A date with slashes can be read in two ways.");
  const from = readEnd(left, nowMs);
  if (from === null) return refuse(`“${left}” is not a day or time.`);
  if (right === null || right === "now") {
    if (right === null && from.seconds === null && from.day !== null)
      return fixed(from.day, addDays(from.day, 1).getTime());
    const at = moment(from, startOfDay(nowMs).getTime());
    return at < nowMs ? fixed(at, nowMs) : refuse("That moment is still to come.");
  }
  const to = readEnd(right, nowMs);
  if (to === null) return refuse(`“${right}” is not a day or time.`);
  const today = startOfDay(nowMs).getTime();
  let fromDay = from.day ?? today;
  // "14:00–16:00" typed at noon means yesterday's: a window that has not begun shows nothing.
  if (from.day === null && to.day === null && moment(from, today) > nowMs)
    fromDay = addDays(today, -1).getTime();
  const fromMs = moment(from, fromDay);
  let toMs =
    to.seconds === null && to.day !== null ? addDays(to.day, 1).getTime() : moment(to, to.day ?? fromDay);
  // "22:00–02:00" runs over midnight.
  if (toMs <= fromMs && to.day === null && to.exactMs === null)
    toMs = moment(to, addDays(fromDay, 1).getTime());
  return fixed(fromMs, toMs);
}

function fixed(fromMs: number, toMs: number): ReadWindow {
  if (toMs - fromMs < 10_000) return refuse("The end must lie after the beginning, by 10 seconds or more.");
  return { ok: true, choice: { kind: "fixed", fromMs, toMs } };
}

function moment(end: End, dayMs: number): number {
  if (end.exactMs !== null) return end.exactMs;
  const day = new Date(end.day ?? dayMs);
  // Set by the clock on the wall, not by adding seconds: days are not all 24 hours long.
  day.setHours(0, 0, end.seconds ?? 0, 0);
  return day.getTime();
}

function readEnd(text: string, nowMs: number): End | null {
  const words = text.trim().replace(/,/g, " ").replace(/\s+/g, " ").trim();
  if (words === "now") return { day: null, seconds: null, exactMs: nowMs };
  if (STAMP.test(words)) {
    const at = parseISO(words.toUpperCase());
    return isValid(at) ? { day: null, seconds: null, exactMs: at.getTime() } : null;
  }
  const alone = readDay(words, nowMs);
  if (alone !== null) return { day: alone, seconds: null, exactMs: null };
  const cut = words.lastIndexOf(" ");
  const seconds = readTime(cut < 0 ? words : words.slice(cut + 1));
  if (seconds === null) return null;
  if (cut < 0) return { day: null, seconds, exactMs: null };
  const day = readDay(words.slice(0, cut).replace(/ at$/, ""), nowMs);
  return day === null ? null : { day, seconds, exactMs: null };
}

function readTime(text: string): number | null {
  const match = TIME.exec(text);
  if (match === null) return null;
  const [hours, minutes, seconds] = [Number(match[1]), Number(match[2] ?? 0), Number(match[3] ?? 0)];
  if (minutes > 59 || seconds > 59 || hours > 24 || (hours === 24 && minutes + seconds > 0)) return null;
  return hours * 3600 + minutes * 60 + seconds;
}

function readDay(text: string, nowMs: number): number | null {
  const today = startOfDay(nowMs);
  if (text === "today") return today.getTime();
  if (text === "yesterday") return addDays(today, -1).getTime();
  const weekday = WEEKDAYS.findIndex((name) => new RegExp(`^(last )?${name}[a-z]*$`).test(text));
  if (weekday >= 0) return addDays(today, -((today.getDay() - weekday + 7) % 7 || 7)).getTime();
  const iso = /^(\d{4})-(\d{1,2})-(\d{1,2})$/.exec(text);
  if (iso !== null) return makeDay(Number(iso[1]), Number(iso[2]), Number(iso[3]));
  const dotted = /^(\d{1,2})\. ?(\d{1,2})\. ?(\d{4})$/.exec(text);
  if (dotted !== null) return makeDay(Number(dotted[3]), Number(dotted[2]), Number(dotted[1]));
  const named = /^(\d{1,2})\.? ([a-z]{3})[a-z]*\.?(?: (\d{4}))?$/.exec(text);
  if (named === null) return null;
  const month = MONTHS.indexOf(named[2] ?? "") + 1;
  if (month === 0) return null;
  if (named[3] !== undefined) return makeDay(Number(named[3]), month, Number(named[1]));
  // Without a year: the latest such day that is not to come.
  const thisYear = makeDay(today.getFullYear(), month, Number(named[1]));
  if (thisYear !== null && thisYear <= nowMs) return thisYear;
  return makeDay(today.getFullYear() - 1, month, Number(named[1]));
}

function makeDay(year: number, month: number, day: number): number | null {
  const at = new Date(year, month - 1, day);
  return at.getMonth() === month - 1 && at.getDate() === day ? at.getTime() : null;
}
