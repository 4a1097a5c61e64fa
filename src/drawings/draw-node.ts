/** How is a row of a node drawn in the score of a site: its strip, its margins, its scale? */
import { withUnit } from "../words/format.ts";
import { type Inks, type Pen, type Sheet, type TimeScale, xOf } from "./sheet.ts";
import type { ScoreRow } from "./site.ts";

/** Where everything stands at a width, CSS pixels. */
export interface ScoreLayout {
  readonly narrow: boolean;
  readonly scale: TimeScale;
  /** Lines of words at the head. */
  readonly heads: number;
  readonly rows: readonly { readonly row: ScoreRow; readonly top: number; readonly height: number }[];
  readonly bottom: number;
}

interface ScaleMark {
  readonly y: number;
  readonly label: string;
}

/** Hairlines at round counts; their figures at the left edge of the drawing, in the first row of a kind. */
export function drawScaleMarks(
  { ctx, inks }: Sheet,
  { scale, narrow }: ScoreLayout,
  top: number,
  marks: readonly ScaleMark[],
  labelled: boolean,
): void {
  ctx.textBaseline = "middle";
  for (const { y, label } of marks) {
    ctx.fillStyle = inks.line;
    ctx.fillRect(scale.left, Math.round(top + y), scale.right - scale.left, 1);
    if (!labelled || narrow) continue;
    ctx.fillStyle = inks.quiet;
    ctx.textAlign = "right";
    ctx.fillText(label, scale.left - 5, top + y);
    ctx.textAlign = "left";
  }
}

/** Margins up to this many dB have the height; more stand at the top. */
const TOP_DB = 20;
const STRIP_PX = 22;

export function drawNode(
  sheet: Sheet,
  layout: ScoreLayout,
  { node, margins }: Extract<ScoreRow, { kind: "node" }>,
  { top, height }: { top: number; height: number },
  labelled: boolean,
): void {
  const { ctx, inks } = sheet;
  const { scale } = layout;
  drawStrip(sheet, scale, node.strip, top);
  const floor = height - 5;
  const yOf = (margin: number) => floor - (Math.min(TOP_DB, margin) / TOP_DB) * (floor - STRIP_PX - 4);
  drawScaleMarks(sheet, layout, top, [{ y: yOf(TOP_DB), label: withUnit(TOP_DB, 0, "dB") }], labelled);
  ctx.fillStyle = inks.hair;
  ctx.fillRect(scale.left, Math.round(top + floor), scale.right - scale.left, 1);
  if (margins === null) return;
  const binMs = margins.binSeconds * 1000;
  margins.marginDb.forEach((value, bin) => {
    if (value === null) return;
    const x = xOf(scale, margins.fromMs + (bin + 0.5) * binMs);
    const y = top + yOf(value);
    ctx.fillStyle = inks.mid;
    ctx.globalAlpha = 0.45;
    ctx.fillRect(x - 0.5, Math.min(y, top + floor), 1, Math.abs(top + floor - y));
    ctx.globalAlpha = 1;
    ctx.fillStyle = inks.ink;
    ctx.fillRect(x - 1.5, y - 1.5, 3, 3);
  });
}

/** Heard above the line, missed as open notches beneath. */
function drawStrip(
  { ctx, inks }: Sheet,
  scale: TimeScale,
  strip: Extract<ScoreRow, { kind: "node" }>["node"]["strip"],
  top: number,
): void {
  const line = top + 13;
  const binMs = strip.binSeconds * 1000;
  const most = Math.max(1, ...strip.heard.map((heard, bin) => heard + (strip.missed[bin] ?? 0)));
  ctx.fillStyle = inks.line;
  ctx.fillRect(scale.left, line, scale.right - scale.left, 1);
  strip.heard.forEach((heard, bin) => {
    const left = xOf(scale, scale.fromMs + bin * binMs);
    const pitch = xOf(scale, scale.fromMs + (bin + 1) * binMs) - left;
    const missed = strip.missed[bin] ?? 0;
    const outage = (strip.missedDuringOutage[bin] ?? 0) + (strip.missedNotRecorded[bin] ?? 0);
    // One tick a counter where they have room, else a bar.
    const all = heard + missed;
    const step = pitch / Math.max(1, all);
    const wide = Math.min(4, Math.max(1, step - 1));
    if (step >= 3) {
      for (let tick = 0; tick < all; tick += 1) {
        const x = left + (tick + 0.5) * step - wide / 2;
        if (tick < heard) {
          ctx.fillStyle = inks.ink;
          ctx.fillRect(x, line - 9, wide, 9);
        } else drawNotch({ ctx, inks }, x, line + 2, wide, tick - heard < missed - outage);
      }
      return;
    }
    ctx.fillStyle = inks.ink;
    const bar = Math.max(1, pitch - 1);
    if (heard > 0)
      ctx.fillRect(left, line - Math.max(2, (heard / most) * 9), bar, Math.max(2, (heard / most) * 9));
    if (missed > 0) drawNotch({ ctx, inks }, left, line + 2, bar, missed > outage);
  });
}

/** Filled where the air lost it; open where no gateway was reachable or nothing was recorded. */
function drawNotch(
  { ctx, inks }: { ctx: Pen; inks: Inks },
  x: number,
  y: number,
  wide: number,
  onAir: boolean,
): void {
  if (onAir) {
    ctx.fillStyle = inks.bad;
    ctx.fillRect(x, y, wide, 7);
    return;
  }
  ctx.strokeStyle = inks.quiet;
  ctx.lineWidth = 1;
  ctx.strokeRect(x + 0.5, y + 0.5, Math.max(1, wide - 1), 6);
}
