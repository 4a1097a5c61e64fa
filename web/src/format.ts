/**
 * How is a moment written? Local time, 24 hours, months by name: "14 Mar 2026, 09:00". The zone is named once,
 * at the foot of the page. Ages are words; whoever needs the exact time finds it on focus.
 */
import type { KeyFigures, LifeRow } from "../../src/contract/nodes.ts";
import type { MarkRow } from "../../src/contract/user-data.ts";
import { counted, figure, THIN } from "../../src/words/format.ts";

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

function two(value: number): string {
  return String(value).padStart(2, "0");
}

/** "09:04" */
export function hourMinute(ms: number): string {
  const at = new Date(ms);
  return `${two(at.getHours())}:${two(at.getMinutes())}`;
}

/** "09:04:31" */
export function clockTime(ms: number): string {
  return `${hourMinute(ms)}:${two(new Date(ms).getSeconds())}`;
}

/** "14 Mar" */
export function dayMonth(ms: number): string {
  const at = new Date(ms);
  return `${at.getDate()} ${MONTHS[at.getMonth()] ?? ""}`;
}

/** "14 Mar 2026" */
export function fullDate(ms: number): string {
  return `${dayMonth(ms)} ${new Date(ms).getFullYear()}`;
}

/** "14 Mar 2026, 09:04:31" with milliseconds where `fine` asks for them. */
export function exactTime(ms: number, fine = false): string {
  const tail = fine ? `.${String(new Date(ms).getMilliseconds()).padStart(3, "0")}` : "";
  return `${fullDate(ms)}, ${clockTime(ms)}${tail}`;
}

/** "09:04:31.123" today, "13 Mar 09:04:31.123" before: the time of a reception in a table. */
export function preciseTime(ms: number, nowMs: number): string {
  const fine = `${clockTime(ms)}.${String(new Date(ms).getMilliseconds()).padStart(3, "0")}`;
  return fullDate(ms) === fullDate(nowMs) ? fine : `${dayMonth(ms)} ${fine}`;
}

/** "09:04" today, "13 Mar, 09:04" this year, "13 Mar 2025, 09:04" before. */
export function nearTime(ms: number, nowMs: number): string {
  if (fullDate(ms) === fullDate(nowMs)) return hourMinute(ms);
  const sameYear = new Date(ms).getFullYear() === new Date(nowMs).getFullYear();
  return `${sameYear ? dayMonth(ms) : fullDate(ms)}, ${hourMinute(ms)}`;
}

/** "14 Apr 09:45" this year, "14 Apr 2025 09:45" before: a moment in a list of a window that lies in the past. */
export function momentTime(ms: number, nowMs: number): string {
  const sameYear = new Date(ms).getFullYear() === new Date(nowMs).getFullYear();
  return `${sameYear ? dayMonth(ms) : fullDate(ms)} ${hourMinute(ms)}`;
}

/** "just now", "40 s ago", "3 min ago", "2 h ago", "5 d ago". Clocks that differ by seconds are not a future. */
export function age(ms: number, nowMs: number): string {
  const seconds = Math.round((nowMs - ms) / 1000);
  if (seconds < -60) return `in ${length(-seconds)}`;
  if (seconds < 10) return "just now";
  return `${length(seconds)} ago`;
}

function length(seconds: number): string {
  if (seconds < 60) return `${seconds}${THIN}s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)}${THIN}min`;
  if (seconds < 2 * 86_400) return `${Math.floor(seconds / 3600)}${THIN}h`;
  return `${Math.floor(seconds / 86_400)}${THIN}d`;
}

function isMidnight(ms: number): boolean {
  const at = new Date(ms);
  return at.getHours() + at.getMinutes() + at.getSeconds() + at.getMilliseconds() === 0;
}

/** "14 Mar 2026", "14 Mar 2026, 09:00–11:00", "14 Mar 2026, 22:00 – 15 Mar 2026, 02:00". Half open: a whole day ends at the next midnight. */
export function windowWords(fromMs: number, toMs: number): string {
  if (isMidnight(fromMs) && isMidnight(toMs) && toMs > fromMs) {
    const last = toMs - 1;
    if (fullDate(fromMs) === fullDate(last)) return fullDate(fromMs);
    return `${fullDate(fromMs)} – ${fullDate(last)}`;
  }
  // A window that ends with the day is written 24:00, so that it stays on one date.
  const sameDay = fullDate(fromMs) === fullDate(toMs - 1);
  const shown = (ms: number) => (new Date(ms).getSeconds() === 0 ? hourMinute(ms) : clockTime(ms));
  if (sameDay) return `${fullDate(fromMs)}, ${shown(fromMs)}–${isMidnight(toMs) ? "24:00" : shown(toMs)}`;
  return `${fullDate(fromMs)}, ${shown(fromMs)} – ${fullDate(toMs)}, ${shown(toMs)}`;
}

/** What is stored or held between two moments, to whole minutes outwards: "14 Mar 2026, 09:00–11:00". */
export function spanWords(fromIso: string, toIso: string): string {
  const minute = 60_000;
  const fromMs = Math.floor(Date.parse(fromIso) / minute) * minute;
  const toMs = Math.ceil(Date.parse(toIso) / minute) * minute;
  return windowWords(fromMs, Math.max(toMs, fromMs + minute));
}

/** The zone that every time on the page is in: "Europe/Berlin, UTC+1". */
export function zoneWords(ms: number): string {
  const name = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const minutes = -new Date(ms).getTimezoneOffset();
  const sign = minutes < 0 ? "\u2212" : "+";
  const rest = Math.abs(minutes) % 60;
  const offset = `${Math.floor(Math.abs(minutes) / 60)}${rest === 0 ? "" : `:${two(rest)}`}`;
  if (minutes === 0) return name === "UTC" ? name : `${name}, UTC`;
  return `${name}, UTC${sign}${offset}`;
}

/** To the nearest minute: a step of a level is dated no finer. */
export function nearestMinute(iso: string): number {
  return Math.round(Date.parse(iso) / 60_000) * 60_000;
}

// What is a mark about, and where do its words lead?

// How is a gateway called that nobody has named? By the end of its identifier; Bench and the list of gateways have it whole.

const MIN_DIGITS = 4;
/** Identifiers shown so far, by their last digits. */
const alike = new Map<string, Set<string>>();

/** "…0001": as many of the last digits, four at least, as tell it from all others that this page has shown. */
export function shortEui(eui: string): string {
  const end = eui.slice(-MIN_DIGITS);
  const others = alike.get(end) ?? new Set<string>();
  alike.set(end, others.add(eui));
  let digits = MIN_DIGITS;
  const isTaken = (other: string) => other !== eui && other.endsWith(eui.slice(-digits));
  while (digits < eui.length && [...others].some(isTaken)) digits += 2;
  return digits < eui.length ? `…${eui.slice(-digits)}` : eui;
}

/** The service's words, with each identifier of eight octets in them shortened. */
export function withShortEuis(words: string): string {
  return words.replace(/\b[0-9A-F]{16}\b/g, shortEui);
}

type About = Pick<MarkRow, "gatewayEui" | "gatewayName" | "devAddr" | "nodeName">;

/** "Packing shed", "01A2B3C4", or "the site". */
export function markAbout({ gatewayEui, gatewayName, devAddr, nodeName }: About): string {
  return (
    gatewayName ?? (gatewayEui === null ? null : shortEui(gatewayEui)) ?? nodeName ?? devAddr ?? "the site"
  );
}

/** Marks that concern a node: its own, those of the site, and those of the gateways that hear it. */
export function marksOfNode(marks: readonly MarkRow[], devAddr: string, euis: readonly string[]): MarkRow[] {
  return marks.filter((mark) =>
    mark.devAddr === null
      ? mark.gatewayEui === null || euis.includes(mark.gatewayEui)
      : mark.devAddr === devAddr,
  );
}

// What do keys say of a node? How many frames they proved, how many fit none, how many were replayed.

/** One line; it never leaves open whether keys are available. */
export function keyFigureWords({ held, proved, invalid, replays }: KeyFigures): string {
  if (!held && proved + invalid + replays === 0)
    return "no keys available: identity is the address with the evidence of its counters";
  const parts = [`${counted(proved, "frame")} proved by keys`];
  if (invalid > 0)
    parts.push(`${figure(invalid)} ${invalid === 1 ? "fits" : "fit"} no key available (another sender)`);
  if (replays > 0) parts.push(`${figure(replays)} replayed`);
  return parts.join(", ");
}

/** How sure a moment of the link story is, in quiet words. */
export function certaintyWords(certainty: "seen" | "assumed 1.0 clear text" | "proved"): string {
  if (certainty === "seen") return "as read from the frame";
  if (certainty === "proved") return "proved by keys";
  return "assumed 1.0 clear text";
}

// How is a counter life described? Its beginning as a sentence in local time, and in words what proves whose it was.

/** "at 14:02" today, "on 14 Apr at 14:02" this year, "on 14 Apr 2025 at 14:02" before. */
export function atWords(ms: number, nowMs: number): string {
  const time = `at ${hourMinute(ms)}`;
  if (fullDate(ms) === fullDate(nowMs)) return time;
  const sameYear = new Date(ms).getFullYear() === new Date(nowMs).getFullYear();
  return `on ${sameYear ? dayMonth(ms) : fullDate(ms)} ${time}`;
}

/** "new life at 14:02: counter fell from 4,212 to 0, no join heard". */
export function lifeBeginning(
  life: Pick<LifeRow, "begunBy" | "reason" | "firstHeard">,
  nowMs: number,
): string {
  const what = life.begunBy === "first-heard" ? "first life" : "new life";
  return `${what} ${atWords(Date.parse(life.firstHeard), nowMs)}: ${life.reason}`;
}

const SHORT: Readonly<Record<string, string>> = {
  "first-heard": "first heard",
  join: "joined",
  "counter-reset": "counter reset",
  "second-device": "another device",
};

/** Two words for a drawing, where the sentence has no room. */
export function lifeLabel(life: Pick<LifeRow, "begunBy">): string {
  return SHORT[life.begunBy] ?? "new life";
}

/** What ties a life to its device; "–" where nothing does. */
export function proofWords(proof: LifeRow["proof"]): string {
  if (proof === "mic") return "its keys proved its frames";
  if (proof === "join-time") return "its join-request was heard just before";
  return "–";
}

/** The name that a user entered, else the end of the gateway's identifier. */
export function gatewayName(name: string | null, eui: string): string {
  return name ?? shortEui(eui);
}

/** The same of a row that names its gateway. */
export function gatewayTitle(row: { gatewayName: string | null; gatewayEui: string }): string {
  return gatewayName(row.gatewayName, row.gatewayEui);
}

/** By which figure a level is judged, within a sentence. */
export const LEVEL_NAMES = { snr: "SNR", "signal-power": "signal power", "channel-rssi": "RSSI" } as const;
