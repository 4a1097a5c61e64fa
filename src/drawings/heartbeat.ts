/**
 * Heartbeat: did this gateway live, minute by minute? Receptions as height on a square-root scale, keepalives beneath the
 * line, status reports as dots, restarts as a rule, an outage as a break in the paper, time not recorded hatched.
 */
import type { GatewayRow, Heartbeat } from "../contract/gateways.ts";
import { figure } from "../words/format.ts";
import { drawNotRecorded, type Pen, type Sheet, type TimeScale, xOf } from "./sheet.ts";

// How do a heartbeat's cells fit the width there is? Neighbours are put together until each has two pixels.

export interface BeatCell {
  readonly receptions: number;
  readonly crcBad: number;
  readonly keepalives: number;
  readonly keepalivesExpected: number;
  readonly statusReports: number;
}

export interface BeatCells {
  readonly cells: readonly BeatCell[];
  readonly cellSeconds: number;
}

/** The cells of `beat`, gathered so that at most `most` are left. Sums stay what they were. */
export function gatherCells(beat: Heartbeat, most: number): BeatCells {
  const group = Math.max(1, Math.ceil(beat.receptions.length / Math.max(1, most)));
  const cells: BeatCell[] = [];
  for (let at = 0; at < beat.receptions.length; at += group) {
    const end = Math.min(at + group, beat.receptions.length);
    cells.push({
      receptions: sum(beat.receptions, at, end),
      crcBad: sum(beat.crcBad, at, end),
      keepalives: sum(beat.keepalives, at, end),
      keepalivesExpected: beat.keepalivesExpected * (end - at),
      statusReports: sum(beat.statusReports, at, end),
    });
  }
  return { cells, cellSeconds: beat.cellSeconds * group };
}

function sum(values: readonly number[], from: number, to: number): number {
  let total = 0;
  for (let at = from; at < to; at += 1) total += values[at] ?? 0;
  return total;
}

/** Room above the bars for the head of a restart, and beneath the line for keepalives and reports. */
const HEAD_PX = 10;
const FOOT_PX = 15;

/** The band of a heartbeat: where it begins and how tall it is, CSS pixels. */
export interface Band {
  readonly top: number;
  readonly height: number;
}

/**
 * Draws one gateway's line. `tallest`: highest count of receptions in a cell of any gateway shown, so that all lines
 * share one height.
 */
export function drawHeartbeat(
  sheet: Sheet,
  scale: TimeScale,
  gateway: GatewayRow,
  band: Band,
  tallest: number,
): void {
  const { ctx } = sheet;
  ctx.save();
  ctx.beginPath();
  ctx.rect(scale.left, band.top, scale.right - scale.left, band.height);
  ctx.clip();
  ctx.translate(0, band.top);
  const { cells, group } = cellsFor(gateway.heartbeat, scale);
  const cellMs = group * gateway.heartbeat.cellSeconds * 1000;
  drawCells(
    sheet,
    scale,
    { cells, cellMs, fromMs: Date.parse(gateway.heartbeat.from) },
    band,
    tallest * group,
  );
  for (const range of gateway.notRecorded)
    drawNotRecorded(
      sheet,
      scale,
      { fromMs: Date.parse(range.from), toMs: Date.parse(range.to) },
      band.height,
    );
  for (const outage of gateway.outages)
    drawBreak(sheet, scale, Date.parse(outage.from), Date.parse(outage.to), band.height);
  for (const restart of gateway.restartTimes) drawRestart(sheet, scale, Date.parse(restart), band.height);
  ctx.restore();
}

/** Cells at least four pixels wide, and how many of the heartbeat's own stand in each. */
function cellsFor(beat: Heartbeat, scale: TimeScale): { cells: readonly BeatCell[]; group: number } {
  const { cells, cellSeconds } = gatherCells(beat, Math.max(1, Math.floor((scale.right - scale.left) / 4)));
  return { cells, group: cellSeconds / beat.cellSeconds };
}

/**
 * The two marks of the bars' scale: a round count no higher than the tallest bar, and a quarter of it, which stands half
 * as high. `y` in CSS pixels from the band's top.
 */
export function beatMarks(
  beat: Heartbeat,
  scale: TimeScale,
  band: Band,
  tallest: number,
): { readonly y: number; readonly label: string }[] {
  const { group } = cellsFor(beat, scale);
  const top = roundDown(Math.max(1, tallest * group));
  return [top, ...(top % 4 === 0 ? [top / 4] : [])].map((count) => ({
    y: baseOf(band) - heightOf(count, tallest * group, band),
    label: figure(count),
  }));
}

/** 4, 8, 12, 20, 40, 80, 120 …: the largest count of this kind that is no more than `most`. */
function roundDown(most: number): number {
  let best = 1;
  for (let power = 1; power <= most; power *= 10)
    for (const digit of [1, 2, 4, 8, 12]) if (digit * power <= most) best = Math.max(best, digit * power);
  return best;
}

function baseOf({ height }: Band): number {
  return height - FOOT_PX;
}

/** The square root keeps a quiet gateway's few receptions visible beside a busy one's many. */
function heightOf(count: number, tallest: number, band: Band): number {
  if (count === 0) return 0;
  const room = baseOf(band) - HEAD_PX;
  return Math.min(room, Math.max(2, Math.sqrt(count / Math.max(1, tallest)) * room));
}

interface Cells {
  readonly cells: readonly BeatCell[];
  readonly cellMs: number;
  readonly fromMs: number;
}

function drawCells(
  { ctx, inks }: Sheet,
  scale: TimeScale,
  { cells, cellMs, fromMs }: Cells,
  band: Band,
  tallest: number,
): void {
  const base = baseOf(band);
  ctx.fillStyle = inks.line;
  ctx.fillRect(scale.left, base, scale.right - scale.left, 1);
  cells.forEach((cell, index) => {
    const x = xOf(scale, fromMs + index * cellMs);
    const next = xOf(scale, fromMs + (index + 1) * cellMs);
    const wide = Math.max(1, next - x - (next - x > 3.5 ? 1 : 0));
    const whole = heightOf(cell.receptions, tallest, band);
    const broken = cell.receptions === 0 ? 0 : whole * (cell.crcBad / cell.receptions);
    ctx.fillStyle = inks.mid;
    ctx.fillRect(x, base - whole + broken, wide, whole - broken);
    if (broken > 0) {
      // CRC-failed receptions: the top of the bar left open.
      ctx.strokeStyle = inks.mid;
      ctx.lineWidth = 1;
      ctx.strokeRect(x + 0.5, base - whole + 0.5, Math.max(0.5, wide - 1), Math.max(1, broken));
    }
    if (cell.keepalivesExpected > 0) {
      const share = cell.keepalives / cell.keepalivesExpected;
      ctx.fillStyle = inks.accent;
      if (share >= 0.5) ctx.fillRect(x, base + 3, wide, share >= 0.9 ? 5 : 3);
    } else if (cell.keepalives > 0) {
      ctx.fillStyle = inks.accent;
      ctx.fillRect(x, base + 3, wide, 3);
    }
    if (cell.statusReports > 0) {
      ctx.fillStyle = inks.quiet;
      ctx.fillRect(x + wide / 2 - 1, base + 11, 2, 2);
    }
  });
}

/** The paper is torn: nothing arrived, so nothing is drawn, and the edges say that this is no zero. */
function drawBreak(
  { ctx, inks }: Sheet,
  scale: TimeScale,
  fromMs: number,
  toMs: number,
  height: number,
): void {
  const left = Math.max(scale.left - 4, xOf(scale, fromMs));
  const right = Math.min(scale.right + 4, xOf(scale, toMs));
  if (right < scale.left || left > scale.right) return;
  const wide = Math.max(right - left, 4);
  ctx.fillStyle = inks.paper;
  ctx.beginPath();
  tear(ctx, left, 0, height);
  tear(ctx, left + wide, height, 0);
  ctx.fill();
  ctx.strokeStyle = inks.bad;
  ctx.lineWidth = 1;
  for (const x of [left, left + wide]) {
    ctx.beginPath();
    tear(ctx, x, 0, height);
    ctx.stroke();
  }
  const words = "✕ unreachable";
  if (wide > ctx.measureText(words).width + 16) {
    ctx.fillStyle = inks.bad;
    ctx.textBaseline = "middle";
    ctx.fillText(words, left + (wide - ctx.measureText(words).width) / 2, height / 2);
  }
}

function tear(ctx: Pen, x: number, fromY: number, toY: number): void {
  const steps = 10;
  for (let step = 0; step <= steps; step += 1)
    ctx.lineTo(x + (step % 2 === 0 ? -2 : 2), fromY + ((toY - fromY) * step) / steps);
}

/** A rule with a head above the bars: "▲" is named in the legend, so that no word stands over them. */
function drawRestart({ ctx, inks }: Sheet, scale: TimeScale, ms: number, height: number): void {
  const x = Math.round(xOf(scale, ms)) + 0.5;
  if (x < scale.left || x > scale.right) return;
  ctx.strokeStyle = inks.look;
  ctx.fillStyle = inks.look;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(x, 4);
  ctx.lineTo(x, height);
  ctx.stroke();
  ctx.beginPath();
  ctx.moveTo(x, 1);
  ctx.lineTo(x + 5, 9);
  ctx.lineTo(x - 5, 9);
  ctx.fill();
}
