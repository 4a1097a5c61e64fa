/** What is a mark about, and where do its words lead? */

import type { KeyFigures, LifeRow } from "../../../src/contract/nodes.ts";
import type { MarkRow } from "../../../src/contract/user-data.ts";
import { counted, figure } from "../../../src/words/format.ts";
import { dayMonth, fullDate, hourMinute } from "./times.ts";

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

/** One line; it never leaves open whether keys are at hand. */
export function keyFigureWords({ held, proved, invalid, replays }: KeyFigures): string {
  if (!held && proved + invalid + replays === 0)
    return "no keys at hand: identity is the address with the evidence of its counters";
  const parts = [`${counted(proved, "frame")} proved by keys`];
  if (invalid > 0)
    parts.push(`${figure(invalid)} ${invalid === 1 ? "fits" : "fit"} no key at hand (another sender)`);
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
