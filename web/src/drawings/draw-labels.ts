/** Where does a series' name stand? At the end of its line, moved apart from the next, cut when there is no room. */
import type { SignalSeries } from "../../../src/contract/nodes.ts";
import { gatewayTitle } from "../format/format.ts";
import { shortened } from "./draw-marks.ts";
import type { Plot } from "./draw-signal.ts";
import { seriesInk } from "./inks.ts";

/** Each series' name at the end of its line, moved apart where two would touch. */
export function drawLabels(
  plot: Plot,
  series: readonly SignalSeries[],
  ends: readonly ({ x: number; y: number } | null)[],
): void {
  const { ctx, inks, ratio } = plot;
  ctx.font = `${13 * ratio}px ${inks.sans}`;
  ctx.textBaseline = "middle";
  ctx.textAlign = "left";
  const placed = ends
    .map((end, index) => ({ end, index, y: end?.y ?? 0 }))
    .filter((label) => label.end !== null)
    .sort((a, b) => a.y - b.y);
  let free = plot.top;
  for (const label of placed) {
    const one = series[label.index];
    if (one === undefined) continue;
    const y = Math.max(label.y, free + 8 * ratio);
    free = y + 8 * ratio;
    const { colour, dash } = seriesInk(inks, label.index);
    const text = shortened(ctx, gatewayTitle(one), 92 * ratio);
    const start = plot.left + plot.width + 8 * ratio;
    ctx.strokeStyle = colour;
    ctx.lineWidth = 3 * ratio;
    ctx.setLineDash(dash.map((part) => part * ratio));
    ctx.beginPath();
    ctx.moveTo(start, y);
    ctx.lineTo(start + 14 * ratio, y);
    ctx.stroke();
    ctx.fillStyle = inks.ink;
    ctx.fillText(text, start + 20 * ratio, y);
  }
}
