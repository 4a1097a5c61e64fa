/** Which stretch of time does a question mean, and is it live? */

import type { Window, WindowQuery } from "../contract/common.ts";
import { isoTime, MINUTE_US, type TimeRange } from "../model/time-range.ts";
import { GATHERED_HOUR_US } from "../store/hours/gathered.ts";
import { narrowedGateways } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { storedSpanUs } from "../store/queries/lives.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { presentUs, type RecordedTime, readRecordedTime } from "../store/recorded-time.ts";
import { type Removed, removedOf } from "../store/retention.ts";
import { StoreUnusable } from "../store/store-error.ts";
import { type RemovedBasis, removedBasis, removedSentence } from "../words/format.ts";

/**
 * How far past the end of a past window its answer looks: two hours, the longest that a finding looks past its gap
 * (`contextOf` in src/store/gaps/gap-rows.ts), so that every gap that ended in the window is judged to the end.
 */
export const WINDOW_CONTEXT_US = 7_200_000_000;

/** A window as asked for: where it lies, and whether it moves with the clock. */
export interface AskedWindow extends TimeRange {
  readonly live: boolean;
  /** It was asked for from an earlier moment on, whose receptions were removed; absent: it was not. */
  readonly removed?: Removed & {
    readonly basis: RemovedBasis;
  };
}

/**
 * What a view rests on: rows throughout; gathered hours of frames wherever whole ones will do; or those of gateways and
 * channels, and rows for all else, without (`sums`) and with those of frames (`site`).
 */
export type Basis = "rows" | "hours" | "sums" | "site";

/**
 * `last` seconds up to now; or from–to, an open end reaching to the begin or end of what is stored; or all that is
 * stored. Ends are half open, so the newest moment stored lies inside.
 */
export function resolveWindow(
  query: WindowQuery,
  nowUs: number,
  stored: { readonly fromUs: number; readonly toUs: number } | null,
): AskedWindow {
  if (query.last !== undefined)
    return { fromUs: nowUs - query.last * 1_000_000, toUs: nowUs + 1, live: true };
  const fromUs = query.from === undefined ? (stored?.fromUs ?? nowUs) : Date.parse(query.from) * 1000;
  const toUs = query.to === undefined ? (stored?.toUs ?? nowUs) + 1 : Date.parse(query.to) * 1000;
  return { fromUs, toUs: Math.max(toUs, fromUs + 1), live: false };
}

/**
 * The window of a request over a store; `systemUs`: the system's clock. It begins where receptions are there, or for a
 * view of hours at a whole one: what was removed is never taken for silence or loss. Throws RowsRemoved where nothing
 * that is left could answer.
 */
export function askedWindow(
  store: Store,
  query: WindowQuery,
  systemUs: number,
  basis: Basis = "rows",
): AskedWindow {
  const window = resolveWindow(query, presentUs(store, systemUs), storedSpanUs(store));
  // An hour of frames holds the best reception of each, whichever site's.
  const isCut = basis === "rows" || (basis !== "sums" && narrowedGateways(store) !== null);
  if (isCut) return withoutRemoved(store, window);
  return byWholeHours(store, window, basis === "hours" ? "hours" : "sums");
}

/** Widened to whole hours where receptions were removed. */
function byWholeHours(store: Store, window: AskedWindow, basis: RemovedBasis): AskedWindow {
  const removed = removedOf(store);
  if (removed === null || window.fromUs >= removed.beforeUs) return window;
  const fromUs = Math.floor(window.fromUs / GATHERED_HOUR_US) * GATHERED_HOUR_US;
  const toUs =
    window.toUs > removed.beforeUs
      ? window.toUs
      : Math.ceil(window.toUs / GATHERED_HOUR_US) * GATHERED_HOUR_US;
  return { ...window, fromUs, toUs, removed: { ...removed, basis } };
}

/** The part of a window whose rows are there; at its end, without any length, where none of it is. */
export function rowsPart(window: AskedWindow): AskedWindow {
  const { fromUs, toUs, removed } = window;
  if (removed === undefined || fromUs >= removed.beforeUs) return window;
  return { ...window, fromUs: Math.min(toUs, removed.beforeUs) };
}

/** Thrown by a question that only removed receptions could answer. */
export class RowsRemoved extends StoreUnusable {
  constructor({ beforeUs, rule }: Removed) {
    const before = isoTime(beforeUs);
    super(removedSentence(before, rule), `Ask for a time from ${before} on.`);
    this.name = "RowsRemoved";
  }
}

/** Throws RowsRemoved where the receptions of a moment were removed. */
export function assertNotRemoved(store: Store, atUs: number): void {
  const removed = removedOf(store);
  if (removed !== null && atUs < removed.beforeUs) throw new RowsRemoved(removed);
}

/** A window without the time whose receptions were removed. Throws RowsRemoved where nothing is left. */
function withoutRemoved(store: Store, window: AskedWindow): AskedWindow {
  const removed = removedOf(store);
  if (removed === null || window.fromUs >= removed.beforeUs) return window;
  if (window.toUs <= removed.beforeUs) throw new RowsRemoved(removed);
  return { ...window, fromUs: removed.beforeUs, removed: { ...removed, basis: "cut" } };
}

/** The shortest cells of sums over a window, minutes: of removed time there are whole hours only. */
export function shortestCell({ removed }: AskedWindow): number {
  return removed?.basis === "sums" ? GATHERED_HOUR_US / MINUTE_US : 1;
}

/** The newest moment whose recording counts for the answer of a window: its end and context, or for a live one all. */
export function knownUntilUs({ toUs, live }: AskedWindow): number {
  return live ? Number.MAX_SAFE_INTEGER : toUs + WINDOW_CONTEXT_US;
}

/** The recorded time that counts for the answer of a window. */
export function recordedOf(store: Store, window: AskedWindow): RecordedTime {
  return onceAnAnswer(store, window, "recorded", () =>
    readRecordedTime(store, { untilUs: knownUntilUs(window) }),
  );
}

/** What is known of a window ends here: now when live, else at its end or where what was stored until then ends. */
export function knownEndUs(store: Store, window: AskedWindow): number {
  if (window.live) return window.toUs;
  return Math.min(window.toUs, storedSpanUs(store, knownUntilUs(window))?.toUs ?? window.toUs);
}

export function windowView({ fromUs, toUs, live, removed }: AskedWindow): Window {
  const window = { from: isoTime(fromUs), to: isoTime(toUs), live };
  if (removed === undefined) return window;
  const before = isoTime(removed.beforeUs);
  const { rule, basis } = removed;
  const sentence = `${removedSentence(before, rule)} ${removedBasis(basis)}`;
  return { ...window, removed: { before, rule, basis, sentence } };
}
