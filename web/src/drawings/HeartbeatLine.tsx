/**
 * Heartbeat: did this gateway live, minute by minute? Receptions as height, keepalives beneath the line, status
 * reports as dots, restarts as a rule, an outage as a break in the paper, time that was not recorded hatched.
 */
import type { GatewayRow, Heartbeat } from "../../../src/contract/gateways.ts";
import { pointAt } from "../state/marks.ts";
import { drawMarkRules, drawNotRecorded, drawTimeAxis, type MarkRule, type TimeScale, xOf } from "./axis.ts";
import { Canvas, type Sheet } from "./Canvas.tsx";

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

const BASE = 44;
const BODY = 60;
const AXIS = 22;
/** Room above the bars for the texts of marks. */
const HEAD = 16;

export interface HeartbeatLineProps {
  readonly gateway: GatewayRow;
  /** Highest count of receptions in a cell of any gateway shown: all lines share one height. */
  readonly tallest: number;
  readonly toMs: number;
  readonly axis: boolean;
  /** What people noted about this gateway or the site. */
  readonly marks: readonly MarkRule[];
}

/** One gateway's line over the window. */
export function HeartbeatLine({ gateway, tallest, toMs, axis, marks }: HeartbeatLineProps) {
  const fromMs = Date.parse(gateway.heartbeat.from);
  // Kept free without marks too: they are asked for apart, and must not move what stands beneath.
  const head = HEAD;
  const draw = (sheet: Sheet) => {
    sheet.ctx.translate(0, head);
    const scale: TimeScale = { fromMs, toMs, left: 0, right: sheet.width };
    const { cells, cellSeconds } = gatherCells(gateway.heartbeat, Math.floor(sheet.width / 2));
    const group = cellSeconds / gateway.heartbeat.cellSeconds;
    drawCells(sheet, scale, cells, cellSeconds, Math.max(1, tallest) * group);
    for (const range of gateway.notRecorded)
      drawNotRecorded(sheet, scale, { fromMs: Date.parse(range.from), toMs: Date.parse(range.to) }, BODY);
    for (const outage of gateway.outages)
      drawBreak(sheet, scale, Date.parse(outage.from), Date.parse(outage.to));
    for (const restart of gateway.restartTimes) drawRestart(sheet, scale, Date.parse(restart));
    const within = (ms: number) => (ms < fromMs || ms > toMs ? null : xOf(scale, ms));
    const { ctx, inks, width } = sheet;
    drawMarkRules({ ctx, inks, top: -head, bottom: BODY, right: width, ratio: 1, xOf: within }, marks);
    if (axis) drawTimeAxis(sheet, scale, BODY);
  };
  const name = gateway.name ?? gateway.eui;
  const onClick = (event: MouseEvent) => {
    if (!(event.currentTarget instanceof Element)) return;
    const box = event.currentTarget.getBoundingClientRect();
    pointAt(fromMs + ((event.clientX - box.left) / box.width) * (toMs - fromMs), gateway.eui);
  };
  return (
    // biome-ignore lint/a11y/useKeyWithClickEvents: it only fills in the time that the form beneath takes as text
    // biome-ignore lint/a11y/noStaticElementInteractions: as above
    <div onClick={onClick}>
      <Canvas
        height={head + (axis ? BODY + AXIS : BODY)}
        draw={draw}
        label={`Heartbeat of ${name}: ${gateway.clause}`}
      />
    </div>
  );
}

function drawCells(
  { ctx, width, inks }: Sheet,
  scale: TimeScale,
  cells: ReturnType<typeof gatherCells>["cells"],
  cellSeconds: number,
  tallest: number,
): void {
  ctx.fillStyle = inks.line;
  ctx.fillRect(0, BASE, width, 1);
  cells.forEach((cell, index) => {
    const x = xOf(scale, scale.fromMs + index * cellSeconds * 1000);
    const next = Math.min(width, xOf(scale, scale.fromMs + (index + 1) * cellSeconds * 1000));
    const wide = Math.max(1, next - x - (next - x > 4 ? 1 : 0));
    // The square root keeps a quiet gateway's few receptions visible beside a busy one's many.
    const tall = (count: number) => (count === 0 ? 0 : Math.max(2, Math.sqrt(count / tallest) * (BASE - 6)));
    const whole = Math.min(BASE - 2, tall(cell.receptions));
    ctx.fillStyle = inks.ink;
    ctx.fillRect(x, BASE - whole, wide, whole);
    const broken = cell.receptions === 0 ? 0 : whole * (cell.crcBad / cell.receptions);
    if (broken > 0) {
      // CRC-failed receptions: the top of the bar left open.
      ctx.fillStyle = inks.quiet;
      ctx.fillRect(x, BASE - whole, wide, Math.max(1, broken));
    }
    if (cell.keepalivesExpected > 0) {
      const share = cell.keepalives / cell.keepalivesExpected;
      ctx.fillStyle = inks.accent;
      if (share >= 0.5) ctx.fillRect(x, BASE + 3, wide, share >= 0.9 ? 5 : 3);
    } else if (cell.keepalives > 0) {
      ctx.fillStyle = inks.accent;
      ctx.fillRect(x, BASE + 3, wide, 3);
    }
    if (cell.statusReports > 0) {
      ctx.fillStyle = inks.quiet;
      ctx.fillRect(x + wide / 2 - 1, BASE + 11, 2, 2);
    }
  });
}

/** The paper is torn: nothing arrived, so nothing is drawn, and the edges say that this is no zero. */
function drawBreak({ ctx, width, inks }: Sheet, scale: TimeScale, fromMs: number, toMs: number): void {
  const left = Math.max(-4, xOf(scale, fromMs));
  const right = Math.min(width + 4, xOf(scale, toMs));
  if (right < 0 || left > width) return;
  const wide = Math.max(right - left, 4);
  ctx.fillStyle = inks.paper;
  ctx.beginPath();
  tear(ctx, left, 0, BODY, 1);
  tear(ctx, left + wide, BODY, 0, 1);
  ctx.fill();
  ctx.strokeStyle = inks.bad;
  ctx.lineWidth = 1;
  for (const x of [left, left + wide]) {
    ctx.beginPath();
    tear(ctx, x, 0, BODY, 1);
    ctx.stroke();
  }
  if (wide > 110) {
    ctx.fillStyle = inks.bad;
    ctx.textBaseline = "middle";
    ctx.fillText("✕ unreachable", left + 12, BODY / 2);
  }
}

function tear(ctx: CanvasRenderingContext2D, x: number, fromY: number, toY: number, size: number): void {
  const steps = 10;
  for (let step = 0; step <= steps; step += 1) {
    const y = fromY + ((toY - fromY) * step) / steps;
    ctx.lineTo(x + (step % 2 === 0 ? -2 : 2) * size, y);
  }
}

function drawRestart({ ctx, width, inks }: Sheet, scale: TimeScale, ms: number): void {
  const x = Math.round(xOf(scale, ms)) + 0.5;
  if (x < 0 || x > width) return;
  ctx.strokeStyle = inks.look;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(x, 0);
  ctx.lineTo(x, BODY);
  ctx.stroke();
  ctx.textBaseline = "top";
  const label = "▲ restart";
  const wide = ctx.measureText(label).width;
  const start = x + 4 + wide > width ? x - 4 - wide : x + 4;
  ctx.fillStyle = inks.paper;
  ctx.fillRect(start - 2, 0, wide + 4, 15);
  ctx.fillStyle = inks.look;
  ctx.fillText(label, start, 0);
}
