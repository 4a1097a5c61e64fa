/**
 * Where does each counter of the strip stand? Rows by hour; by six hours, a day or a week when hours would be too
 * many. Where ticks would touch, a row becomes a density bar that says the share missed.
 */
import { addDays, addHours, startOfDay } from "date-fns";
import type { CounterTick } from "../../../src/contract/nodes.ts";
import { dayMonth, hourMinute } from "../format.ts";

export interface DensityCell {
  readonly heard: number;
  readonly missed: number;
  readonly missedDuringOutage: number;
  readonly notRecorded: number;
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

export type RowUnit = "hour" | "six-hours" | "day" | "week";

export interface StripLayout {
  readonly unit: RowUnit;
  readonly rows: readonly StripRow[];
}

// A tick is two pixels wide and needs one of air.
const TICK_PITCH_PX = 3;
const MAX_ROWS = 12;
const HOUR_MS = 3_600_000;
/** Empty rows are drawn over no more than this. Chosen: a quarter of a year. */
const MAX_EMPTY_MS = 92 * 24 * HOUR_MS;

/** Hours of a row, density cells of a row, and the marks along it: how many, and what the step is called. */
export const ROW_UNITS: Readonly<
  Record<RowUnit, { hours: number; cells: number; marks: number; step: string }>
> = {
  hour: { hours: 1, cells: 60, marks: 6, step: "10 min" },
  "six-hours": { hours: 6, cells: 72, marks: 6, step: "1 h" },
  day: { hours: 24, cells: 96, marks: 8, step: "3 h" },
  week: { hours: 168, cells: 84, marks: 7, step: "1 d" },
};
const FROM_SHORTEST: readonly RowUnit[] = ["hour", "six-hours", "day"];

/** Lays ticks, which are in order of time, out over `widthPx`. Rows run from the first tick to the last. */
export function layoutStrip(ticks: readonly CounterTick[], widthPx: number): StripLayout {
  const begin = ticks[0]?.atMs;
  const last = ticks.at(-1)?.atMs;
  if (begin === undefined || last === undefined) return { unit: "hour", rows: [] };
  const hours = (last - begin) / HOUR_MS;
  const unit = FROM_SHORTEST.find((one) => hours / ROW_UNITS[one].hours <= MAX_ROWS) ?? "week";
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
      label: rowLabel(fromMs, unit, rows.length === 0),
      first,
      end: at,
      density: crowded ? densityOf(ticks, first, at, fromMs, toMs, ROW_UNITS[unit].cells) : null,
    });
    // Where nothing came for long (a clock that jumped), the empty rows are left out.
    const next = ticks[at]?.atMs;
    fromMs = next !== undefined && next - toMs > MAX_EMPTY_MS ? rowStart(next, unit) : toMs;
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

function rowStart(ms: number, unit: RowUnit): number {
  if (unit === "day" || unit === "week") return startOfDay(ms).getTime();
  const at = new Date(ms);
  const past = at.getMinutes() * 60_000 + at.getSeconds() * 1000 + at.getMilliseconds();
  // Not setHours: in the hour that a changed clock repeats it may jump to the other one.
  return ms - past - (at.getHours() % ROW_UNITS[unit].hours) * HOUR_MS;
}

function rowEnd(ms: number, unit: RowUnit): number {
  if (unit === "day" || unit === "week") return addDays(ms, ROW_UNITS[unit].hours / 24).getTime();
  return addHours(ms, ROW_UNITS[unit].hours).getTime();
}

function rowLabel(ms: number, unit: RowUnit, firstRow: boolean): string {
  if (unit === "day" || unit === "week") return dayMonth(ms);
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
  const cells = Array.from({ length: count }, () => ({
    heard: 0,
    missed: 0,
    missedDuringOutage: 0,
    notRecorded: 0,
  }));
  for (let at = first; at < end; at += 1) {
    const tick = ticks[at];
    if (tick === undefined) continue;
    const cell = cells[Math.min(count - 1, Math.floor(((tick.atMs - fromMs) / (toMs - fromMs)) * count))];
    if (cell === undefined) continue;
    if (tick.fate === "missed") cell.missed += 1;
    else if (tick.fate === "missed-during-outage") cell.missedDuringOutage += 1;
    else if (tick.fate === "not-recorded") cell.notRecorded += 1;
    else cell.heard += 1;
  }
  return cells;
}
