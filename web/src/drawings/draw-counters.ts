/**
 * How is a counter drawn? Heard: a full tick; by one gateway of several: half a tick; missed: an open notch below
 * the line; missed while no gateway was reachable: the same, hatched; not recorded: two dashes; repeated: a dot above.
 */
import type { CounterTick } from "../../../src/contract/nodes.ts";
import { drawMarkRules, type MarkRule, shortened } from "../../../src/drawings/sheet.ts";
import { THIN } from "../../../src/words/format.ts";
import type { Sheet } from "./Canvas.tsx";
import { type DensityCell, ROW_UNITS, type StripLayout, type StripRow } from "./counter-layout.ts";

export const ROW_PX = 36;
/** Room for the marks beneath the last row. */
export const MARKS_PX = 22;
export const LABEL_PX = 108;
const LABEL_AT = 8;
const LINE_AT = 22;
const TALL = 14;
const NOTCH = 8;

/** A rule at the beginning of a counter life, with its reason. */
export interface LifeRule {
  readonly atMs: number;
  readonly reason: string;
}

/** Draws all rows; `selected` is the index of the tick that the keyboard stands on. */
export function drawStrip(
  sheet: Sheet,
  layout: StripLayout,
  ticks: readonly CounterTick[],
  rules: { readonly lives: readonly LifeRule[]; readonly marks: readonly MarkRule[] },
  selected: number | null,
): void {
  drawMarks(sheet, layout);
  // Few ticks may be bolder: they are read from further away. One width for all rows.
  const most = Math.max(1, ...layout.rows.map((row) => row.end - row.first));
  const wide = Math.min(5, Math.max(2, Math.floor((sheet.width - LABEL_PX) / most / 6)));
  layout.rows.forEach((row, index) => {
    const top = index * ROW_PX;
    const { ctx, inks, width } = sheet;
    ctx.fillStyle = inks.quiet;
    ctx.textBaseline = "middle";
    const begun = rules.lives.filter(({ atMs }) => atMs >= row.fromMs && atMs < row.toMs);
    ctx.fillText(row.label, LABEL_AT, top + (begun.length === 0 ? LINE_AT - 4 : 10));
    ctx.fillStyle = inks.line;
    ctx.fillRect(LABEL_PX, top + LINE_AT, width - LABEL_PX, 1);
    if (row.density === null) drawTicks(sheet, row, ticks, top, wide);
    else drawDensity(sheet, row, top);
    const chosen = selected === null ? undefined : ticks[selected];
    if (chosen !== undefined && selected !== null && selected >= row.first && selected < row.end) {
      ctx.strokeStyle = inks.accent;
      ctx.lineWidth = 2;
      ctx.strokeRect(
        Math.round(tickX(row, chosen.atMs, width)) - 4 - wide / 2,
        top + 1,
        wide + 8,
        ROW_PX - 3,
      );
    }
    const within = (ms: number) => (ms >= row.fromMs && ms < row.toMs ? tickX(row, ms, width) : null);
    drawMarkRules(
      { ctx, inks, top: top + 1, bottom: top + ROW_PX - 2, right: width, ratio: 1, xOf: within },
      rules.marks,
    );
    drawLives(sheet, row, begun, top);
  });
}

/** Marks along the rows, counted from the row's beginning: "+10 min", "+20 min", … */
function drawMarks({ ctx, inks, width }: Sheet, layout: StripLayout): void {
  const { marks, step } = ROW_UNITS[layout.unit];
  const [count = "1", unit = ""] = step.split(" ");
  const bottom = layout.rows.length * ROW_PX;
  const apart = (width - LABEL_PX - 6) / marks;
  ctx.textBaseline = "top";
  for (let mark = 0; mark < marks; mark += 1) {
    const x = Math.round(LABEL_PX + 2 + mark * apart);
    ctx.fillStyle = inks.line;
    layout.rows.forEach((_, index) => {
      ctx.fillRect(x, index * ROW_PX + LINE_AT, 1, 4);
    });
    if (mark === 0 || (apart < 64 && mark % 2 === 1)) continue;
    ctx.fillStyle = inks.quiet;
    const text = `+${Number(count) * mark}${THIN}${unit}`;
    ctx.fillText(text, x - ctx.measureText(text).width / 2, bottom + 2);
  }
}

/** Where a moment stands in its row, CSS pixels. */
export function tickX(row: StripRow, ms: number, width: number): number {
  return LABEL_PX + 2 + ((ms - row.fromMs) / (row.toMs - row.fromMs)) * (width - LABEL_PX - 6);
}

function drawTicks(
  { ctx, inks, width }: Sheet,
  row: StripRow,
  ticks: readonly CounterTick[],
  top: number,
  wide: number,
): void {
  const line = top + LINE_AT;
  for (let at = row.first; at < row.end; at += 1) {
    const tick = ticks[at];
    if (tick === undefined) continue;
    const x = Math.round(tickX(row, tick.atMs, width) - wide / 2);
    ctx.fillStyle = inks.ink;
    if (tick.fate === "heard") ctx.fillRect(x, line - TALL, wide, TALL);
    else if (tick.fate === "heard-by-some") ctx.fillRect(x, line - TALL / 2, wide, TALL / 2);
    else if (tick.fate === "not-recorded") {
      ctx.fillStyle = inks.quiet;
      ctx.fillRect(x, line + 4, wide, 1);
      ctx.fillRect(x, line + 8, wide, 1);
    } else
      drawNotch(
        ctx,
        x,
        line + 2,
        wide,
        tick.fate === "missed" ? inks.bad : inks.quiet,
        tick.fate !== "missed",
      );
    if (tick.repeats > 0) {
      ctx.fillStyle = inks.look;
      ctx.beginPath();
      ctx.arc(x + wide / 2, line - TALL - 4, 2, 0, 7);
      ctx.fill();
    }
  }
}

function drawNotch(
  ctx: CanvasRenderingContext2D,
  x: number,
  y: number,
  wide: number,
  colour: string,
  hatched: boolean,
): void {
  const [left, right, bottom] = [x - 0.5, x + wide + 0.5, y + NOTCH - 0.5];
  ctx.strokeStyle = colour;
  ctx.lineWidth = wide > 3 ? 1.5 : 1;
  ctx.beginPath();
  ctx.moveTo(left, y);
  ctx.lineTo(left, bottom);
  ctx.lineTo(right, bottom);
  ctx.lineTo(right, y);
  if (hatched)
    for (let step = 2; step < NOTCH; step += 3) {
      ctx.moveTo(left, y + step);
      ctx.lineTo(right, y + step - 2);
    }
  ctx.stroke();
}

function drawDensity({ ctx, inks, width }: Sheet, row: StripRow, top: number): void {
  const cells = row.density ?? [];
  const most = Math.max(1, ...cells.map(countersIn));
  const line = top + LINE_AT;
  cells.forEach((cell, index) => {
    const all = countersIn(cell);
    if (all === 0) return;
    const x = tickX(row, row.fromMs + ((row.toMs - row.fromMs) * index) / cells.length, width);
    const wide = Math.max(1, (width - LABEL_PX - 6) / cells.length - 1);
    const tall = Math.max(cell.heard === 0 ? 0 : 2, (cell.heard / most) * TALL);
    ctx.fillStyle = inks.ink;
    ctx.fillRect(x, line - tall, wide, tall);
    const lost = cell.missed + cell.missedDuringOutage;
    if (cell.notRecorded > 0) {
      ctx.fillStyle = inks.quiet;
      ctx.fillRect(x, line + NOTCH + 4, wide, 1);
    }
    if (lost === 0) return;
    // Depth below the line: the share of this cell's counters that nobody heard.
    const deep = Math.max(2, (lost / all) * NOTCH);
    ctx.strokeStyle = cell.missed > 0 ? inks.bad : inks.quiet;
    ctx.lineWidth = 1;
    ctx.strokeRect(x + 0.5, line + 2.5, Math.max(1, wide - 1), deep);
    if (cell.missed > 0) {
      ctx.fillStyle = inks.bad;
      ctx.fillRect(x, line + 2, wide, (cell.missed / all) * NOTCH);
    }
  });
}

function countersIn({ heard, missed, missedDuringOutage, notRecorded }: DensityCell): number {
  return heard + missed + missedDuringOutage + notRecorded;
}

/** A rule where each life begins; why stands under the row's time, clear of the ticks. */
function drawLives(
  { ctx, inks, width }: Sheet,
  row: StripRow,
  lives: readonly LifeRule[],
  top: number,
): void {
  if (lives.length === 0) return;
  ctx.strokeStyle = inks.accent;
  ctx.lineWidth = 2;
  ctx.beginPath();
  for (const { atMs } of lives) {
    const x = Math.round(tickX(row, atMs, width)) - 3.5;
    ctx.moveTo(x, top + 1);
    ctx.lineTo(x, top + ROW_PX - 2);
  }
  ctx.stroke();
  ctx.fillStyle = inks.accent;
  ctx.textBaseline = "middle";
  const reasons = [...new Set(lives.map(({ reason }) => reason))].join(", ");
  ctx.fillText(shortened(ctx, reasons, LABEL_PX - LABEL_AT - 8), LABEL_AT, top + ROW_PX - 9);
}
