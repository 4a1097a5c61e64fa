/** How is the score drawn? Rows one under another on one time axis, events as columns with their word at the head. */
import { figure } from "../words/format.ts";
import { drawNode, drawScaleMarks, type ScoreLayout } from "./draw-node.ts";
import { beatMarks, drawHeartbeat } from "./heartbeat.ts";
import {
  drawMarkRules,
  drawNotRecorded,
  drawTimeAxis,
  type MarkRule,
  type Sheet,
  type TimeScale,
  xOf,
} from "./sheet.ts";
import type { ScoreColumn, ScoreRow } from "./site.ts";

export const AXIS_PX = 26;
const HEAD_PX = 18;
const MARKS_PX = 18;
/** Room of a row's words above its drawing, where they have no gutter. */
const LABEL_PX = 24;
const GUTTER_PX = 216;
const EDGE_PX = 8;

/** The layout of the rows over a window; on a narrow page their words stand above them. */
export function layoutScore(
  rows: readonly ScoreRow[],
  columns: readonly ScoreColumn[],
  window: { readonly fromMs: number; readonly toMs: number },
  width: number,
  narrow: boolean,
): ScoreLayout {
  const heads = columns.length === 0 ? 0 : Math.min(columns.length, narrow ? 3 : 2);
  let top = heads * HEAD_PX + MARKS_PX;
  const placed = rows.map((row) => {
    const label = narrow ? LABEL_PX : 0;
    const one = { row, top: top + label, height: row.height };
    top += label + row.height;
    return one;
  });
  return {
    narrow,
    scale: { ...window, left: narrow ? 0 : GUTTER_PX, right: width - (narrow ? 0 : EDGE_PX) },
    heads,
    rows: placed,
    bottom: top + 10,
  };
}

export interface ScoreParts {
  readonly columns: readonly ScoreColumn[];
  readonly marks: readonly MarkRule[];
  readonly recorded: readonly { readonly fromMs: number; readonly toMs: number }[];
}

/** Draws everything but the words at the left, which are elements. */
export function drawSite(sheet: Sheet, layout: ScoreLayout, parts: ScoreParts): void {
  const { ctx, inks, width } = sheet;
  const { scale, rows, bottom, heads, narrow } = layout;
  const tallest = Math.max(
    1,
    ...rows.flatMap(({ row }) => (row.kind === "gateway" ? row.gateway.heartbeat.receptions : [])),
  );
  drawGrid(sheet, layout);
  for (const { top } of rows) {
    ctx.fillStyle = inks.line;
    ctx.fillRect(0, Math.round(top - (narrow ? LABEL_PX : 0)), width, 1);
  }
  for (const column of parts.columns) shadeColumn(sheet, layout, column);
  rows.forEach(({ row, top, height }, index) => {
    const band = { top: top + 1, height: height - 1 };
    if (row.kind === "gateway") {
      const marks = beatMarks(row.gateway.heartbeat, scale, band, tallest);
      drawScaleMarks(sheet, layout, band.top, marks, rows[index - 1]?.row.kind !== "gateway");
      drawHeartbeat(sheet, scale, row.gateway, band, tallest);
    } else if (row.kind === "noise") drawNoise(sheet, layout, row, band);
    else drawNode(sheet, layout, row, band, rows[index - 1]?.row.kind !== "node");
  });
  for (const range of unrecorded(parts.recorded, scale)) drawNotRecorded(sheet, scale, range, bottom - 10);
  drawRecorded(sheet, layout, parts.recorded);
  drawHeads(sheet, layout, parts.columns);
  const within = (ms: number) => (ms < scale.fromMs || ms > scale.toMs ? null : xOf(scale, ms));
  drawMarkRules(
    { ctx, inks, top: heads * HEAD_PX + 1, bottom, right: scale.right, ratio: 1, xOf: within },
    parts.marks,
  );
  drawTimeAxis(sheet, scale, bottom);
}

/** Hairlines of the axis through all rows: one grid for the eye. */
function drawGrid({ ctx, inks, marksBetween }: Sheet, { scale, bottom, heads }: ScoreLayout): void {
  ctx.fillStyle = inks.line;
  ctx.globalAlpha = 0.6;
  for (const { ms } of marksBetween(scale.fromMs, scale.toMs, Math.max(1, (scale.right - scale.left) / 84)))
    ctx.fillRect(
      Math.round(xOf(scale, ms)),
      heads * HEAD_PX + MARKS_PX,
      1,
      bottom - heads * HEAD_PX - MARKS_PX,
    );
  ctx.globalAlpha = 1;
}

function extentOf(
  scale: TimeScale,
  { fromMs, toMs }: Pick<ScoreColumn, "fromMs" | "toMs">,
): [number, number] {
  const left = Math.min(scale.right - 3, Math.max(scale.left, xOf(scale, fromMs)));
  return [left, Math.max(3, Math.min(scale.right, xOf(scale, toMs)) - left)];
}

function shadeColumn({ ctx, inks }: Sheet, { scale, rows, narrow }: ScoreLayout, column: ScoreColumn): void {
  const [x, wide] = extentOf(scale, column);
  for (const { row, top, height } of rows) {
    if (!column.struck.has(row.key)) continue;
    const above = narrow ? 0 : 1;
    ctx.fillStyle = inks.accent;
    ctx.globalAlpha = 0.14;
    ctx.fillRect(x, top + above, wide, height - above);
    ctx.globalAlpha = 0.6;
    ctx.fillRect(Math.round(x), top + above, 1, height - above);
    ctx.fillRect(Math.round(x + wide) - 1, top + above, 1, height - above);
    ctx.globalAlpha = 1;
  }
}

/** Words at the head, each in the first line with room; a bracket says how long, a rule leads down to the rows. */
function drawHeads(
  { ctx, inks }: Sheet,
  { scale, heads, rows }: ScoreLayout,
  columns: readonly ScoreColumn[],
): void {
  const free = Array<number>(heads).fill(scale.left);
  const words: { readonly text: string; readonly x: number; readonly y: number; readonly wide: number }[] =
    [];
  for (const column of columns) {
    const [x, wide] = extentOf(scale, column);
    const long = ctx.measureText(column.word).width;
    const start = Math.max(scale.left, Math.min(x, scale.right - long));
    const line = free.findIndex((end) => start >= end);
    const last = rows.filter(({ row }) => column.struck.has(row.key)).at(-1);
    const foot = (line < 0 ? heads : line + 1) * HEAD_PX;
    ctx.fillStyle = inks.hair;
    if (last !== undefined) ctx.fillRect(Math.round(x), foot, 1, last.top - foot);
    ctx.fillStyle = inks.ink;
    ctx.fillRect(x, foot, wide, line < 0 ? 2 : 1);
    if (line < 0) continue;
    words.push({ text: column.word, x: start, y: line * HEAD_PX + HEAD_PX / 2, wide: long });
    free[line] = start + long + 14;
  }
  ctx.textBaseline = "middle";
  ctx.textAlign = "left";
  for (const { text, x, y, wide } of words) {
    ctx.fillStyle = inks.sheet;
    ctx.fillRect(x - 2, y - 8, wide + 4, 15);
    ctx.fillStyle = inks.ink;
    ctx.fillText(text, x, y);
  }
}

function drawNoise(
  sheet: Sheet,
  layout: ScoreLayout,
  { lane }: Extract<ScoreRow, { kind: "noise" }>,
  { top, height }: { top: number; height: number },
): void {
  const { ctx, inks } = sheet;
  const { scale } = layout;
  const known = lane.dbm.filter((value) => value !== null);
  const low = Math.floor((Math.min(...known) - 1) / 5) * 5;
  const high = Math.max(low + 10, Math.ceil((Math.max(...known) + 1) / 5) * 5);
  const yOf = (value: number) => 6 + ((high - value) / (high - low)) * (height - 12);
  drawScaleMarks(
    sheet,
    layout,
    top,
    [high, low].map((value) => ({ y: yOf(value), label: figure(value) })),
    true,
  );
  const binMs = lane.binSeconds * 1000;
  ctx.strokeStyle = inks.hair;
  ctx.fillStyle = inks.ink;
  ctx.lineWidth = 1;
  let isDown = false;
  ctx.beginPath();
  lane.dbm.forEach((value, bin) => {
    if (value === null) return;
    const left = xOf(scale, lane.fromMs + bin * binMs);
    const right = xOf(scale, lane.fromMs + (bin + 1) * binMs);
    const y = top + yOf(value);
    // What weak frames show is drawn strong; a hairline joins it over bins without any.
    ctx.fillRect(left, y - 1, Math.max(2, right - left), 2);
    if (isDown) ctx.lineTo(left, y);
    else ctx.moveTo(left, y);
    ctx.moveTo(right, y);
    isDown = true;
  });
  ctx.stroke();
}

/** The parts of the window in which nothing was recorded at all. */
function unrecorded(
  recorded: ScoreParts["recorded"],
  { fromMs, toMs }: TimeScale,
): { fromMs: number; toMs: number }[] {
  const gaps: { fromMs: number; toMs: number }[] = [];
  let at = fromMs;
  for (const range of recorded) {
    if (range.fromMs > at) gaps.push({ fromMs: at, toMs: range.fromMs });
    at = Math.max(at, range.toMs);
  }
  if (at < toMs) gaps.push({ fromMs: at, toMs });
  return gaps;
}

/** A bar at the foot wherever anything was recorded. */
function drawRecorded(
  { ctx, inks }: Sheet,
  { scale, bottom }: ScoreLayout,
  recorded: ScoreParts["recorded"],
): void {
  ctx.fillStyle = inks.accent;
  for (const { fromMs, toMs } of recorded) {
    const left = Math.max(scale.left, xOf(scale, fromMs));
    const right = Math.min(scale.right, xOf(scale, toMs));
    if (right > left) ctx.fillRect(left, bottom - 5, Math.max(1, right - left), 3);
  }
}
