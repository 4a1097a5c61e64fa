/**
 * What happened at this moment of a plot? Small heads above thin rules: hover, focus or a tap on one reads its
 * sentence. The rules themselves are drawn with the plot; the heads stand over it, since a canvas takes no focus.
 */
import type { SignalSeries } from "../../../src/contract/nodes.ts";
import { seriesInk, type TimeMark } from "../../../src/drawings/sheet.ts";
import { clockTime, dayMonth, gatewayTitle, hourMinute } from "../format.ts";
import { addDot, type Plot } from "./draw-signal.ts";
import "./PlotMarks.css";

export interface PlotMark {
  readonly atMs: number;
  readonly sentence: string;
}

export interface PlotMarksProps {
  readonly marks: readonly PlotMark[];
  readonly label: string;
  /** The sentence of the head that has focus or pointer; null when none has. */
  readonly onRead: (words: string | null) => void;
}

/** More heads than these would be a long way for the tab key; older changes keep their rule and stand in the story. */
const MAX_HEADS = 40;

/** The heads; `placeMarks` puts them where the plot has its rules. */
export function PlotMarks({ marks, label, onRead }: PlotMarksProps) {
  if (marks.length === 0) return null;
  return (
    <ul class="plot-marks screen-only" aria-label={label}>
      {marks.slice(-MAX_HEADS).map((mark, index) => {
        const words = `${dayMonth(mark.atMs)} ${clockTime(mark.atMs)} · ${mark.sentence}`;
        return (
          <li key={`${mark.atMs} ${index}`} data-at={mark.atMs}>
            <button
              type="button"
              aria-label={words}
              onFocus={() => onRead(words)}
              onBlur={() => onRead(null)}
              onMouseEnter={() => onRead(words)}
              onMouseLeave={() => onRead(null)}
              onClick={() => onRead(words)}
            />
          </li>
        );
      })}
    </ul>
  );
}

/** Puts each head at `xOf` of its moment, CSS pixels from the left of the list's parent; hides those outside. */
export function placeMarks(parent: Element, xOf: (ms: number) => number | null): void {
  for (const head of parent.querySelectorAll<HTMLElement>(".plot-marks > li")) {
    const x = xOf(Number(head.dataset.at));
    head.hidden = x === null;
    if (x !== null) head.style.left = `${x}px`;
  }
}

// Where does a time axis carry marks in the browser's zone, and where does a series' name stand?

// Where does a time axis carry marks, and what do they say? Round local times, never so many that they touch.

const MINUTE = 60_000;
const DAY = 86_400_000;
const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720].map((minutes) => minutes * MINUTE);
const DAY_STEPS = [1, 2, 7, 14, 28, 56, 112];

/** Marks between two moments, at most `most` of them; midnights carry the date. */
export function timeMarks(fromMs: number, toMs: number, most: number): TimeMark[] {
  const span = toMs - fromMs;
  if (!(span > 0) || most < 1) return [];
  const step = STEPS.find((size) => span / size <= most);
  const marks: TimeMark[] = [];
  const at = new Date(fromMs);
  at.setHours(0, 0, 0, 0);
  if (step !== undefined) {
    // From midnight of the first day, anew at each midnight: a changed clock does not shift the marks of the day after.
    while (at.getTime() < toMs) {
      const midnight = at.getTime();
      at.setDate(at.getDate() + 1);
      for (let ms = midnight; ms < at.getTime() && ms < toMs; ms += step)
        if (ms >= fromMs) marks.push({ ms, label: ms === midnight ? dayMonth(ms) : hourMinute(ms) });
    }
    return marks;
  }
  const days = DAY_STEPS.find((size) => span / (size * DAY) <= most) ?? Math.ceil(span / DAY / most);
  while (at.getTime() < toMs) {
    if (at.getTime() >= fromMs) marks.push({ ms: at.getTime(), label: dayMonth(at.getTime()) });
    at.setDate(at.getDate() + days);
  }
  return marks;
}

// Where does a series' name stand? At the end of its line, moved apart from the next, cut when there is no room.

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
    const text = shortenedWithin(ctx, gatewayTitle(one), 92 * ratio);
    const start = plot.left + plot.width + 8 * ratio;
    ctx.strokeStyle = colour;
    ctx.lineWidth = ratio;
    ctx.setLineDash(dash.map((part) => part * ratio));
    ctx.beginPath();
    ctx.moveTo(start, y);
    ctx.lineTo(start + 14 * ratio, y);
    ctx.stroke();
    const dot = new Path2D();
    addDot(dot, start + 7 * ratio, y, 3 * ratio, label.index);
    ctx.setLineDash([]);
    ctx.lineWidth = 1.25 * ratio;
    ctx.fillStyle = label.index % 2 === 0 ? colour : inks.sheet;
    ctx.fill(dot);
    ctx.stroke(dot);
    ctx.fillStyle = inks.ink;
    ctx.fillText(text, start + 20 * ratio, y);
  }
}

/** Cut in its middle, so that names and identifiers that begin alike stay apart: "0200…0001". */
function shortenedWithin(ctx: CanvasRenderingContext2D, text: string, room: number): string {
  if (ctx.measureText(text).width <= room) return text;
  const letters = [...text];
  for (let kept = letters.length - 1; kept > 2; kept -= 1) {
    const start = Math.ceil(kept / 2);
    const short = `${letters.slice(0, start).join("")}…${letters.slice(letters.length - (kept - start)).join("")}`;
    if (ctx.measureText(short).width <= room) return short;
  }
  return "…";
}
