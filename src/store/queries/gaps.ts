/** Which dropouts are stored, with their findings? */
import type { GapFigures } from "../../model/gap.ts";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface StoredGap extends GapFigures {
  readonly id: string;
  readonly devAddr: number;
  readonly life: number;
  readonly open: 0 | 1;
  readonly expected: number | null;
  readonly cause: string;
  readonly confidence: number;
  readonly scope: "node" | "gateway" | "site";
  readonly gatewayId: number | null;
  readonly endedUs: number | null;
  /** JSON; null while the finding is not made yet. */
  readonly finding: string | null;
}

const COLUMNS = `id, dev_addr AS devAddr, life, kind, open, from_us AS fromUs, to_us AS toUs, missed,
  first_missed AS firstMissed, last_missed AS lastMissed, heard, expected, rhythm_us AS rhythmUs, lacking, cause, confidence,
  scope, gateway_id AS gatewayId, ended_us AS endedUs, finding`;

/** Those that touch the window, newest first. */
export function gapsInWindow(store: Store, { fromUs, toUs }: TimeRange, most: number): StoredGap[] {
  return prepared(
    store,
    `SELECT ${COLUMNS} FROM gap WHERE shown = 1 AND from_us < ? AND to_us > ? ORDER BY from_us DESC, id LIMIT ?`,
  ).all(toUs, fromUs, most) as StoredGap[];
}

/** With what the search knows of it beside. */
export interface KeptGap extends StoredGap {
  readonly tag: "run" | "episode" | "end" | "shared";
  /** 0: as far as is known it is chance, and no dropout. */
  readonly shown: 0 | 1;
}

/** Those that touch a range and began before a moment, shown or not, and those of the range's lives that go on. */
export function gapsKnownSince(store: Store, { fromUs, toUs }: TimeRange, knownUs: number): KeptGap[] {
  return prepared(
    store,
    `SELECT ${COLUMNS}, tag, shown FROM gap WHERE from_us < ? AND (to_us > ? OR open = 1)`,
  ).all(Math.min(toUs, knownUs), fromUs) as KeptGap[];
}

/** What one life of an address has of one cause. */
export interface GapCount {
  readonly devAddr: number;
  readonly life: number;
  readonly cause: string;
  readonly gaps: number;
  readonly open: number;
  readonly missed: number;
}

/** Returns the dropouts that touch the window counted by address, life and cause, however many there are. */
export function gapCounts(store: Store, { fromUs, toUs }: TimeRange): GapCount[] {
  return prepared(
    store,
    `SELECT dev_addr AS devAddr, life, cause, count(*) AS gaps, sum(open = 1 AND ended_us IS NULL) AS open,
            sum(missed) AS missed
     FROM gap WHERE shown = 1 AND from_us < ? AND to_us > ? GROUP BY dev_addr, life, cause`,
  ).all(toUs, fromUs) as GapCount[];
}

/** Returns the same of rows at hand. */
export function countGaps(gaps: readonly StoredGap[]): GapCount[] {
  const counts = new Map<string, GapCount>();
  for (const gap of gaps) {
    const { devAddr, life, cause, missed } = gap;
    const key = `${devAddr}/${life}/${cause}`;
    const one = counts.get(key) ?? { devAddr, life, cause, gaps: 0, open: 0, missed: 0 };
    counts.set(key, {
      ...one,
      gaps: one.gaps + 1,
      open: one.open + Number(goesOn(gap)),
      missed: one.missed + missed,
    });
  }
  return [...counts.values()];
}

/** Whether a dropout goes on: one whose node came back in another life has ended. */
export function goesOn({ open, endedUs }: Pick<StoredGap, "open" | "endedUs">): boolean {
  return open === 1 && endedUs === null;
}

export function gapById(store: Store, id: string): StoredGap | null {
  const row = prepared(store, `SELECT ${COLUMNS} FROM gap WHERE id = ?`).get(id);
  return (row as StoredGap | undefined) ?? null;
}

export interface StoredOutage {
  readonly gatewayId: number;
  readonly fromUs: number;
  readonly toUs: number | null;
}

export function outagesInWindow(store: Store, { fromUs, toUs }: TimeRange): StoredOutage[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, from_us AS fromUs, to_us AS toUs FROM gateway_outage
     WHERE from_us < ? AND coalesce(to_us, ?) > ? ORDER BY from_us, gateway_id`,
  ).all(toUs, toUs, fromUs) as StoredOutage[];
}

export interface CauseShare {
  readonly devAddr: number;
  readonly life: number;
  readonly cause: string;
  /** Counters missed, or frames that should have come. */
  readonly lost: number;
  /** Of its surest finding. */
  readonly confidence: number;
}

/** What the losses of each life are attributed to, over the dropouts that touch the window. */
export function causeShares(store: Store, { fromUs, toUs }: TimeRange): CauseShare[] {
  return prepared(
    store,
    `SELECT dev_addr AS devAddr, life, cause, sum(max(missed, coalesce(expected, 0))) AS lost,
            max(confidence) AS confidence
     FROM gap WHERE shown = 1 AND from_us < ? AND to_us > ? AND finding IS NOT NULL GROUP BY dev_addr, life, cause`,
  ).all(toUs, fromUs) as CauseShare[];
}
