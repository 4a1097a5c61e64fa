/**
 * Which stretch of time do all views show? Live with a length, or fixed from–to. It lives in the address bar
 * (`last=3600`, or `from=…&to=…`) and nowhere else.
 */
import { addDays, differenceInCalendarDays, startOfDay } from "date-fns";
import { duration } from "../format/format.ts";
import { windowWords } from "../format/times.ts";

export type WindowChoice =
  | { readonly kind: "live"; readonly lastSeconds: number }
  | { readonly kind: "fixed"; readonly fromMs: number; readonly toMs: number };

export const DEFAULT_WINDOW: WindowChoice = { kind: "live", lastSeconds: 3600 };

// The same ends as the API's window query.
const SHORTEST_SECONDS = 10;
const LONGEST_SECONDS = 400 * 86_400;

/** The window an address asks for; what cannot be read gives the default rather than a broken page. */
export function windowFromParams(params: URLSearchParams): WindowChoice {
  const last = Number(params.get("last") ?? Number.NaN);
  if (Number.isInteger(last) && last >= SHORTEST_SECONDS && last <= LONGEST_SECONDS)
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

/** "last=3600" or "from=…&to=…", encoded. */
export function windowQuery(choice: WindowChoice): string {
  return new URLSearchParams(windowToParams(choice)).toString();
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
  if (choice.kind === "live") return `last ${duration(choice.lastSeconds)}`;
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
