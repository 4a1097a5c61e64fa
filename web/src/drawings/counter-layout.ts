/**
 * Where does each counter of the strip stand? Rows by hour; by day or by week when hours would be too many. Where
 * ticks would touch, a row becomes a density bar that says the share missed.
 */
import { addDays, startOfDay } from "date-fns";
import type { CounterTick } from "../../../src/contract/nodes.ts";
import { dayMonth, hourMinute } from "../format/times.ts";

export interface DensityCell {
  readonly heard: number;
  readonly missed: number;
  readonly missedDuringOutage: number;
}

export interface StripRow {
  readonly fromMs: number;
  readonly toMs: number;
  readonly label: string;
  /** Ticks of this row: from this index up to, not including, the next. */
  readonly first: number;
  readonly end: number;
  /** Null: the ticks themselves fit. */
  readonly density: readonly DensityCell[] | null;
}

export interface StripLayout {
  readonly unit: "hour" | "day" | "week";
  readonly rows: readonly StripRow[];
}

// A tick is two pixels wide and needs two of air.
const TICK_PITCH_PX = 4;
const MOST_HOURS = 30;
const MOST_DAYS = 45;
const CELLS = { hour: 60, day: 48, week: 56 };
const HOUR_MS = 3_600_000;

/** Lays ticks, which are in order of time, out over `widthPx`. Rows run from the first tick to the last. */
export function layoutStrip(ticks: readonly CounterTick[], widthPx: number): StripLayout {
  const begin = ticks[0]?.atMs;
  const last = ticks.at(-1)?.atMs;
  if (begin === undefined || last === undefined) return { unit: "hour", rows: [] };
  const hours = (last - begin) / HOUR_MS;
  const unit = hours <= MOST_HOURS ? "hour" : hours <= MOST_DAYS * 24 ? "day" : "week";
  const rows: StripRow[] = [];
  let at = 0;
  let fromMs = rowStart(begin, unit);
  while (fromMs <= last) {
    const toMs = rowEnd(fromMs, unit);
    const first = at;
    while (at < ticks.length && (ticks[at]?.atMs ?? 0) < toMs) at += 1;
    const crowded = (at - first) * TICK_PITCH_PX > widthPx;
    rows.push({
      fromMs,
      toMs,
      label: unit === "hour" ? hourLabel(fromMs, rows.length === 0) : dayMonth(fromMs),
      first,
      end: at,
      density: crowded ? densityOf(ticks, first, at, fromMs, toMs, CELLS[unit]) : null,
    });
    fromMs = toMs;
  }
  return { unit, rows };
}

/** Index of the tick nearest to a moment within a row, or null in an empty row. */
export function nearestTick(ticks: readonly CounterTick[], row: StripRow, ms: number): number | null {
  let best: number | null = null;
  for (let at = row.first; at < row.end; at += 1) {
    const distance = Math.abs((ticks[at]?.atMs ?? 0) - ms);
    if (best === null || distance < Math.abs((ticks[best]?.atMs ?? 0) - ms)) best = at;
  }
  return best;
}

function rowStart(ms: number, unit: StripLayout["unit"]): number {
  if (unit !== "hour") return startOfDay(ms).getTime();
  const at = new Date(ms);
  // Not setMinutes: in the hour that a changed clock repeats it may jump to the other one.
  return ms - (at.getMinutes() * 60_000 + at.getSeconds() * 1000 + at.getMilliseconds());
}

function rowEnd(ms: number, unit: StripLayout["unit"]): number {
  if (unit === "hour") return ms + HOUR_MS;
  return addDays(ms, unit === "day" ? 1 : 7).getTime();
}

function hourLabel(ms: number, firstRow: boolean): string {
  const hour = hourMinute(ms);
  return firstRow || hour === "00:00" ? `${dayMonth(ms)} ${hour}` : hour;
}

function densityOf(
  ticks: readonly CounterTick[],
  first: number,
  end: number,
  fromMs: number,
  toMs: number,
  count: number,
): DensityCell[] {
  const cells = Array.from({ length: count }, () => ({ heard: 0, missed: 0, missedDuringOutage: 0 }));
  for (let at = first; at < end; at += 1) {
    const tick = ticks[at];
    if (tick === undefined) continue;
    const cell = cells[Math.min(count - 1, Math.floor(((tick.atMs - fromMs) / (toMs - fromMs)) * count))];
    if (cell === undefined) continue;
    if (tick.fate === "missed") cell.missed += 1;
    else if (tick.fate === "missed-during-outage") cell.missedDuringOutage += 1;
    else cell.heard += 1;
  }
  return cells;
}
