/**
 * How does a person's mark show on a drawing? A dashed rule through it, and its text at the top where there is room;
 * what it says in full stands in the list of marks.
 */
import type { Inks } from "./inks.ts";

export interface MarkRule {
  readonly atMs: number;
  readonly text: string;
}

export interface RuleGround {
  readonly ctx: CanvasRenderingContext2D;
  readonly inks: Inks;
  /** Canvas pixels of the band that the rules cross. */
  readonly top: number;
  readonly bottom: number;
  readonly right: number;
  readonly ratio: number;
  /** Where a moment stands; null outside. */
  readonly xOf: (ms: number) => number | null;
}

/** Shortest stretch in which a text says anything. */
const LEAST_ROOM_PX = 40;
const TEXT_PX = 13;

/** Draws the rules with their texts, each cut before the next one begins. */
export function drawMarkRules(ground: RuleGround, marks: readonly MarkRule[]): void {
  const { ctx, inks, top, bottom, right, ratio } = ground;
  const placed = marks
    .map((mark) => ({ text: mark.text, x: ground.xOf(mark.atMs) }))
    .filter((mark): mark is { text: string; x: number } => mark.x !== null)
    .sort((a, b) => a.x - b.x);
  if (placed.length === 0) return;
  ctx.save();
  ctx.strokeStyle = inks.ink;
  ctx.lineWidth = ratio;
  ctx.setLineDash([4 * ratio, 3 * ratio]);
  ctx.beginPath();
  for (const { x } of placed) {
    ctx.moveTo(Math.round(x) + 0.5, top);
    ctx.lineTo(Math.round(x) + 0.5, bottom);
  }
  ctx.stroke();
  ctx.setLineDash([]);
  ctx.font = `${TEXT_PX * ratio}px ${inks.sans}`;
  ctx.textBaseline = "top";
  ctx.textAlign = "left";
  placed.forEach(({ text, x }, index) => {
    const next = placed[index + 1]?.x ?? right;
    const start = x + 4 * ratio;
    const room = next - start - 6 * ratio;
    const wide = ctx.measureText(text).width;
    // The last one may stand before its rule instead.
    const before =
      index === placed.length - 1 && wide > room && x - (placed[index - 1]?.x ?? 0) > wide + 8 * ratio;
    if (!before && room < LEAST_ROOM_PX * ratio) return;
    const shown = before ? text : shortened(ctx, text, room);
    const left = before ? x - 4 * ratio - wide : start;
    ctx.fillStyle = inks.sheet;
    ctx.fillRect(left - 2 * ratio, top, ctx.measureText(shown).width + 4 * ratio, (TEXT_PX + 2) * ratio);
    ctx.fillStyle = inks.ink;
    ctx.fillText(shown, left, top + ratio);
  });
  ctx.restore();
}

/** Cut to the room there is, with an ellipsis. */
export function shortened(ctx: CanvasRenderingContext2D, text: string, room: number): string {
  if (ctx.measureText(text).width <= room) return text;
  let short = text;
  while (short.length > 1 && ctx.measureText(`${short}…`).width > room) short = short.slice(0, -1);
  return `${short}…`;
}
