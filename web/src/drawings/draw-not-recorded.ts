/** Time that nobody recorded: hatched, and named where there is room. It is neither a silence nor a zero. */
import type { Sheet } from "./Canvas.tsx";
import { type TimeScale, xOf } from "./draw-axis.ts";

const HATCH_PX = 6;

/** Hatches the whole height of a drawing over a range of time. */
export function drawNotRecorded(
  { ctx, inks }: Pick<Sheet, "ctx" | "inks">,
  scale: TimeScale,
  { fromMs, toMs }: { readonly fromMs: number; readonly toMs: number },
  height: number,
): void {
  const left = Math.max(scale.left, xOf(scale, fromMs));
  const right = Math.min(scale.right, xOf(scale, toMs));
  if (right - left < 1) return;
  ctx.save();
  ctx.beginPath();
  ctx.rect(left, 0, right - left, height);
  ctx.clip();
  ctx.fillStyle = inks.paper;
  ctx.fillRect(left, 0, right - left, height);
  ctx.strokeStyle = inks.line;
  ctx.lineWidth = 1;
  ctx.beginPath();
  for (let x = left - height; x < right; x += HATCH_PX) {
    ctx.moveTo(x, height);
    ctx.lineTo(x + height, 0);
  }
  ctx.stroke();
  const words = "not recorded";
  const wide = ctx.measureText(words).width;
  if (right - left > wide + 20) {
    const middle = (left + right) / 2;
    ctx.fillStyle = inks.paper;
    ctx.fillRect(middle - wide / 2 - 4, height / 2 - 9, wide + 8, 18);
    ctx.fillStyle = inks.quiet;
    ctx.textBaseline = "middle";
    ctx.fillText(words, middle - wide / 2, height / 2);
  }
  ctx.restore();
}
