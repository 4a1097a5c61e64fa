/**
 * How is the evidence score drawn? Lanes one under another, their names at the left, the gap as one column through
 * all of them; at the very left a full bar where a lane speaks for the finding, a hollow one where against.
 */
import type { GapPage } from "../../../../src/contract/gaps.ts";
import type { Sheet } from "../../drawings/Canvas.tsx";
import { drawTimeAxis, type TimeScale, xOf } from "../../drawings/draw-axis.ts";
import { drawMarkRules, shortened } from "../../drawings/draw-marks.ts";
import { drawLane } from "./draw-lanes.ts";
import { drawnNeighbours, type Lane, NEIGHBOUR_PX, TITLE_PX } from "./score-lanes.ts";

export const AXIS_PX = 24;
const BAR_PX = 8;
const EDGE_PX = 8;

/** Where the lanes' names end and time begins. */
export function gutterPx(width: number): number {
  return width < 560 ? 112 : 172;
}

export function scoreHeight(lanes: readonly Lane[]): number {
  return lanes.reduce((sum, lane) => sum + lane.height, 0) + AXIS_PX;
}

/** Time over the width of a score. */
export function scoreScale({ axis }: GapPage, width: number): TimeScale {
  return { fromMs: axis.fromMs, toMs: axis.toMs, left: gutterPx(width), right: width - EDGE_PX };
}

/** Draws the whole score. */
export function drawScore(sheet: Sheet, page: GapPage, lanes: readonly Lane[]): void {
  const { ctx, inks, width } = sheet;
  const scale = scoreScale(page, width);
  const bottom = scoreHeight(lanes) - AXIS_PX;
  drawColumn(sheet, page, scale, bottom);
  let top = 0;
  for (const lane of lanes) {
    ctx.fillStyle = inks.line;
    ctx.fillRect(0, Math.round(top), width, 1);
    drawStance(sheet, lane, top);
    drawNames(sheet, page, lane, top);
    ctx.save();
    ctx.beginPath();
    ctx.rect(scale.left, top + 1, scale.right - scale.left + EDGE_PX, lane.height - 1);
    ctx.clip();
    drawLane({ sheet, scale, page, top: top + 1, height: lane.height - 1 }, lane);
    ctx.restore();
    top += lane.height;
  }
  const within = (ms: number) => (ms < scale.fromMs || ms > scale.toMs ? null : xOf(scale, ms));
  drawMarkRules({ ctx, inks, top: 3, bottom, right: width, ratio: 1, xOf: within }, page.marks);
  drawTimeAxis(sheet, scale, bottom);
}

function drawColumn({ ctx, inks }: Sheet, { axis }: GapPage, scale: TimeScale, bottom: number): void {
  const left = Math.max(scale.left, xOf(scale, axis.gapFromMs));
  const right = Math.min(scale.right, Math.max(xOf(scale, axis.gapToMs), left + 3));
  ctx.fillStyle = inks.accent;
  ctx.globalAlpha = 0.12;
  ctx.fillRect(left, 0, right - left, bottom);
  ctx.globalAlpha = 1;
  for (const x of [left, right]) ctx.fillRect(Math.round(x), 0, 1, bottom);
}

function drawStance({ ctx, inks }: Sheet, { stance, height }: Lane, top: number): void {
  if (stance === null) return;
  if (stance === "for") {
    ctx.fillStyle = inks.ink;
    ctx.fillRect(0, top + 4, BAR_PX - 2, height - 7);
    return;
  }
  ctx.strokeStyle = inks.ink;
  ctx.lineWidth = 1;
  ctx.strokeRect(0.5, Math.round(top) + 4.5, BAR_PX - 3, height - 8);
}

function drawNames({ ctx, inks, width }: Sheet, page: GapPage, lane: Lane, top: number): void {
  const left = BAR_PX + 4;
  const room = gutterPx(width) - left - 8;
  ctx.textBaseline = "middle";
  ctx.textAlign = "left";
  ctx.fillStyle = inks.ink;
  ctx.fillText(shortened(ctx, lane.title, room), left, top + TITLE_PX / 2 + 1);
  ctx.fillStyle = inks.quiet;
  if (lane.note !== "" && lane.height >= 2 * TITLE_PX)
    ctx.fillText(shortened(ctx, lane.note, room), left, top + TITLE_PX * 1.5 - 3);
  if (lane.lane !== "neighbours") return;
  drawnNeighbours(page).forEach(({ name, devAddr }, index) => {
    const y = top + 2 * TITLE_PX - 4 + (index + 0.5) * NEIGHBOUR_PX;
    ctx.fillText(shortened(ctx, name ?? devAddr, room - 8), left + 8, y);
  });
}
