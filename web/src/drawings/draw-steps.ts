/** How is a step of a link's level drawn in the ladder? As a tread before, a riser, and a tread after, with date and size. */
import { signedDb } from "../format/format.ts";
import { type Plot, plotX, plotY } from "./draw-signal.ts";
import { seriesInk } from "./inks.ts";

/** A step of one gateway's series. */
export interface PlotStep {
  /** Which series, for its ink. */
  readonly series: number;
  readonly atMs: number;
  /** Where the treads end. */
  readonly fromMs: number;
  readonly toMs: number;
  readonly fromDb: number;
  readonly toDb: number;
  readonly sizeDb: number;
  /** "09:40". */
  readonly when: string;
  readonly sentence: string;
}

/** Treads and risers in the series' ink, over the dots. */
export function drawSteps(plot: Plot, steps: readonly PlotStep[]): void {
  const { ctx, ratio } = plot;
  ctx.setLineDash([]);
  for (const step of steps) {
    if (step.atMs < plot.fromMs || step.atMs > plot.toMs) continue;
    const x = plotX(plot, step.atMs);
    const high = plotY(plot, step.fromDb);
    const low = plotY(plot, step.toDb);
    for (const [width, ink] of [
      [5, plot.inks.sheet],
      [2, seriesInk(plot.inks, step.series).colour],
    ] as const) {
      ctx.lineWidth = width * ratio;
      ctx.strokeStyle = ink;
      ctx.beginPath();
      ctx.moveTo(plotX(plot, Math.max(step.fromMs, plot.fromMs)), high);
      ctx.lineTo(x, high);
      ctx.lineTo(x, low);
      ctx.lineTo(plotX(plot, Math.min(step.toMs, plot.toMs)), low);
      ctx.stroke();
    }
  }
  ctx.font = `${13 * ratio}px ${plot.inks.sans}`;
  ctx.textBaseline = "middle";
  for (const step of steps) {
    if (step.atMs < plot.fromMs || step.atMs > plot.toMs) continue;
    label(plot, step);
  }
}

/** Beside the riser, on the side that has room, on paper of its own. */
function label(plot: Plot, step: PlotStep): void {
  const { ctx, ratio, inks } = plot;
  const text = `${step.when} ${signedDb(step.sizeDb)}`;
  const width = ctx.measureText(text).width;
  const x = plotX(plot, step.atMs);
  const isLeft = x + width + 16 * ratio > plot.left + plot.width;
  const from = isLeft ? x - width - 8 * ratio : x + 8 * ratio;
  const y = (plotY(plot, step.fromDb) + plotY(plot, step.toDb)) / 2;
  ctx.fillStyle = inks.sheet;
  ctx.globalAlpha = 0.85;
  ctx.fillRect(from - 3 * ratio, y - 10 * ratio, width + 6 * ratio, 20 * ratio);
  ctx.globalAlpha = 1;
  ctx.fillStyle = inks.ink;
  ctx.textAlign = "left";
  ctx.fillText(text, from, y);
}
