/**
 * How are signals and their floors drawn? Few points: dots, each on a stem that stands on its own rung, joined
 * where nothing is missing. Many (two and more a pixel): one bar a pixel column from lowest to highest. Time taken grows with the points
 * once, never with what is drawn.
 */
import type { SignalSeries } from "../../../src/contract/nodes.ts";
import { type Inks, seriesInk } from "../../../src/drawings/sheet.ts";
import { figure, signedDb } from "../../../src/words/format.ts";
import { indexAt } from "./signal-columns.ts";

/** Canvas pixels; x and y map time and value into the plot. */
export interface Plot {
  readonly ctx: CanvasRenderingContext2D;
  readonly inks: Inks;
  readonly ratio: number;
  readonly left: number;
  readonly top: number;
  readonly width: number;
  readonly height: number;
  readonly fromMs: number;
  readonly toMs: number;
  readonly low: number;
  readonly high: number;
}

/**
 * SNR that the demodulator needs, dB, SF5 to SF12. Semtech SX1276 data sheet, table "Range of spreading factors"
 * (SF6 to SF12); SF5 by the same step of 2.5 dB. The same floors from which the service computes the margin.
 */
export const FLOORS_DB: Readonly<Record<number, number>> = Object.fromEntries(
  [5, 6, 7, 8, 9, 10, 11, 12].map((factor) => [factor, -2.5 * (factor - 4)]),
);

const RUNGS = [7, 8, 9, 10, 11, 12];

export function plotX(plot: Plot, ms: number): number {
  return plot.left + ((ms - plot.fromMs) / (plot.toMs - plot.fromMs)) * plot.width;
}

function plotY(plot: Plot, value: number): number {
  return plot.top + ((plot.high - value) / (plot.high - plot.low)) * plot.height;
}

/** The rungs; those of spreading factors in use are drawn in ink, the others faint. */
export function drawRungs(plot: Plot, used: ReadonlySet<number>): void {
  const { ctx, inks, ratio } = plot;
  for (const factor of RUNGS) {
    const y = Math.round(plotY(plot, FLOORS_DB[factor] ?? 0)) + 0.5;
    ctx.lineWidth = ratio * (used.has(factor) ? 1.5 : 1);
    ctx.strokeStyle = used.has(factor) ? inks.ink : inks.line;
    ctx.beginPath();
    ctx.moveTo(plot.left, y);
    ctx.lineTo(plot.left + plot.width, y);
    ctx.stroke();
  }
}

/** A thin vertical rule at each moment. */
export function drawRules(plot: Plot, atMs: readonly number[]): void {
  const { ctx, inks, ratio } = plot;
  ctx.strokeStyle = inks.quiet;
  ctx.lineWidth = ratio;
  ctx.beginPath();
  for (const ms of atMs) {
    const x = Math.round(plotX(plot, ms)) + 0.5;
    ctx.moveTo(x, plot.top);
    ctx.lineTo(x, plot.top + plot.height);
  }
  ctx.stroke();
}

/** Values at which the ladder's axis is marked up to `high` dB, and what stands there: "SF9 −12.5" at a rung, "5" above them. */
export function ladderMarks(high: number): { value: number; label: string }[] {
  const rungs = RUNGS.map((factor) => {
    const value = FLOORS_DB[factor] ?? 0;
    return { value, label: `SF${factor} ${figure(value, Number.isInteger(value) ? 0 : 1)}` };
  });
  const above: { value: number; label: string }[] = [];
  for (let value = -5; value <= high; value += 5) above.push({ value, label: figure(value) });
  return [...rungs.reverse(), ...above];
}

/** Draws one series and answers where its line ends, for its label; null when nothing of it is in the plot. */
export function drawSeries(
  plot: Plot,
  series: SignalSeries,
  values: readonly (number | null)[],
  index: number,
  stems: boolean,
): { x: number; y: number } | null {
  const first = indexAt(series.atMs, plot.fromMs);
  const end = indexAt(series.atMs, plot.toMs);
  if (first === end) return null;
  const { colour, dash } = seriesInk(plot.inks, index);
  plot.ctx.strokeStyle = colour;
  plot.ctx.fillStyle = colour;
  const perPixel = (end - first) / (plot.width / plot.ratio);
  if (perPixel > 2) drawColumns(plot, series.atMs, values, first, end);
  else drawDots(plot, series, values, { first, end, index, dash, stems: stems && perPixel < 0.15 });
  plot.ctx.setLineDash([]);
  for (let at = end - 1; at >= first; at -= 1) {
    const value = values[at];
    if (value != null) return { x: plotX(plot, series.atMs[at] ?? 0), y: plotY(plot, value) };
  }
  return null;
}

function drawDots(
  plot: Plot,
  series: SignalSeries,
  values: readonly (number | null)[],
  how: {
    readonly first: number;
    readonly end: number;
    readonly index: number;
    readonly dash: readonly number[];
    readonly stems: boolean;
  },
): void {
  const { ctx, ratio } = plot;
  const { first, end, index, dash, stems } = how;
  const line = new Path2D();
  const posts = new Path2D();
  const dots = new Path2D();
  const size = 2 * ratio;
  let pen = false;
  for (let at = first; at < end; at += 1) {
    const value = values[at];
    if (value == null) {
      pen = false;
      continue;
    }
    const x = plotX(plot, series.atMs[at] ?? 0);
    const y = plotY(plot, value);
    if (pen) line.lineTo(x, y);
    else line.moveTo(x, y);
    pen = true;
    addDot(dots, x, y, size, index);
    const floor = FLOORS_DB[series.spreadingFactor[at] ?? 0];
    if (!stems || floor === undefined) continue;
    posts.moveTo(x, y);
    posts.lineTo(x, plotY(plot, floor));
  }
  ctx.lineWidth = ratio;
  ctx.globalAlpha = 0.35;
  ctx.stroke(posts);
  ctx.globalAlpha = stems ? 0.5 : 0.8;
  ctx.setLineDash(dash.map((part) => part * ratio));
  ctx.stroke(line);
  ctx.globalAlpha = 1;
  if (index % 2 === 0) {
    ctx.fill(dots);
    return;
  }
  // Hollow: the ground shows through, so that series are distinguished without colour.
  ctx.setLineDash([]);
  ctx.fillStyle = plot.inks.sheet;
  ctx.fill(dots);
  ctx.lineWidth = 1.25 * ratio;
  ctx.stroke(dots);
}

/** Discs, rings, squares, hollow squares: the shape tells the series on black-and-white paper too. */
export function addDot(path: Path2D, x: number, y: number, size: number, index: number): void {
  if (index % 4 < 2) {
    path.moveTo(x + size, y);
    path.arc(x, y, size, 0, 7);
  } else path.rect(x - size, y - size, 2 * size, 2 * size);
}

/** Every point falls into a pixel column; each column is one bar, and columns without a point stay empty. */
function drawColumns(
  plot: Plot,
  atMs: readonly number[],
  values: readonly (number | null)[],
  first: number,
  end: number,
): void {
  const { ctx, ratio } = plot;
  const wide = Math.max(1, Math.round(ratio));
  const columns = Math.ceil(plot.width / wide) + 1;
  const lows = new Float64Array(columns).fill(Number.POSITIVE_INFINITY);
  const highs = new Float64Array(columns).fill(Number.NEGATIVE_INFINITY);
  const perMs = plot.width / wide / (plot.toMs - plot.fromMs);
  for (let at = first; at < end; at += 1) {
    const value = values[at];
    if (value == null) continue;
    const column = (((atMs[at] ?? 0) - plot.fromMs) * perMs) | 0;
    if (value < (lows[column] ?? 0)) lows[column] = value;
    if (value > (highs[column] ?? 0)) highs[column] = value;
  }
  ctx.globalAlpha = 0.75;
  for (let column = 0; column < columns; column += 1) {
    const low = lows[column] ?? Number.POSITIVE_INFINITY;
    if (low === Number.POSITIVE_INFINITY) continue;
    const y = plotY(plot, highs[column] ?? low);
    ctx.fillRect(plot.left + column * wide, y - ratio, wide, plotY(plot, low) - y + 2 * ratio);
  }
  ctx.globalAlpha = 1;
}

// How is a step of a link's level drawn in the ladder? As a tread before, a riser, and a tread after, with date and size.

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

/** Treads and risers in the series' ink, beneath the dots. */
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
}

interface Taken {
  readonly from: number;
  readonly to: number;
  readonly y: number;
}

/** Date and size of each step, over everything else and apart from each other. */
export function drawStepLabels(plot: Plot, steps: readonly PlotStep[]): void {
  plot.ctx.font = `${13 * plot.ratio}px ${plot.inks.sans}`;
  plot.ctx.textBaseline = "middle";
  const taken: Taken[] = [];
  for (const step of steps) {
    if (step.atMs < plot.fromMs || step.atMs > plot.toMs) continue;
    taken.push(label(plot, step, taken));
  }
}

/** Beside the riser, on the side that has room, on paper of its own; answers where it stands. */
function label(plot: Plot, step: PlotStep, taken: readonly Taken[]): Taken {
  const { ctx, ratio, inks } = plot;
  const text = `${step.when} ${signedDb(step.sizeDb)}`;
  const width = ctx.measureText(text).width;
  const x = plotX(plot, step.atMs);
  const isLeft = x + width + 16 * ratio > plot.left + plot.width;
  const from = isLeft ? x - width - 8 * ratio : x + 8 * ratio;
  const high = 20 * ratio;
  let y = (plotY(plot, step.fromDb) + plotY(plot, step.toDb)) / 2;
  const touches = (one: Taken) => one.from < from + width && one.to > from && Math.abs(one.y - y) < high;
  while (taken.some(touches) && y > plot.top + high) y -= high;
  ctx.fillStyle = inks.sheet;
  ctx.globalAlpha = 0.85;
  ctx.fillRect(from - 3 * ratio, y - 10 * ratio, width + 6 * ratio, 20 * ratio);
  ctx.globalAlpha = 1;
  ctx.fillStyle = inks.ink;
  ctx.textAlign = "left";
  ctx.fillText(text, from, y);
  return { from, to: from + width, y };
}
