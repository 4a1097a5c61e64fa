/** How is the time axis of a canvas drawn? A hairline, short marks, labels that do not run over the ends. */
import type { Sheet } from "./Canvas.tsx";
import { timeMarks } from "./time-axis.ts";

export interface TimeScale {
  readonly fromMs: number;
  readonly toMs: number;
  /** CSS pixels of the two ends. */
  readonly left: number;
  readonly right: number;
}

/** Position of a moment on the scale, CSS pixels. */
export function xOf(scale: TimeScale, ms: number): number {
  return scale.left + ((ms - scale.fromMs) / (scale.toMs - scale.fromMs)) * (scale.right - scale.left);
}

/** Draws the axis with its hairline at `top`; needs 20 px beneath. */
export function drawTimeAxis({ ctx, inks }: Sheet, scale: TimeScale, top: number): void {
  const y = Math.round(top) + 0.5;
  ctx.strokeStyle = inks.line;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(scale.left, y);
  ctx.lineTo(scale.right, y);
  ctx.fillStyle = inks.quiet;
  ctx.textBaseline = "top";
  let free = scale.left;
  for (const mark of timeMarks(scale.fromMs, scale.toMs, Math.max(1, (scale.right - scale.left) / 84))) {
    const x = xOf(scale, mark.ms);
    ctx.moveTo(Math.round(x) + 0.5, y);
    ctx.lineTo(Math.round(x) + 0.5, y + 4);
    const width = ctx.measureText(mark.label).width;
    const start = Math.min(Math.max(x - width / 2, scale.left), scale.right - width);
    if (start < free) continue;
    ctx.fillText(mark.label, start, y + 5);
    free = start + width + 8;
  }
  ctx.stroke();
}
