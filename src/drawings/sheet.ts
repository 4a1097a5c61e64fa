/**
 * On what does a drawing draw? A pen with the methods of a canvas that the drawings use, so that the same drawing stands
 * on the screen's canvas and in the report's file.
 */

/** A canvas context is one; so is the report's writer of SVG. */
export interface Pen {
  fillStyle: string | object;
  strokeStyle: string | object;
  lineWidth: number;
  globalAlpha: number;
  font: string;
  textAlign: "left" | "right" | "center" | "start" | "end";
  textBaseline: "top" | "middle" | "alphabetic" | "bottom" | "hanging" | "ideographic";
  beginPath(): void;
  moveTo(x: number, y: number): void;
  lineTo(x: number, y: number): void;
  rect(x: number, y: number, wide: number, high: number): void;
  arc(x: number, y: number, radius: number, from: number, to: number): void;
  fill(): void;
  stroke(): void;
  clip(): void;
  fillRect(x: number, y: number, wide: number, high: number): void;
  strokeRect(x: number, y: number, wide: number, high: number): void;
  fillText(text: string, x: number, y: number): void;
  measureText(text: string): { readonly width: number };
  setLineDash(parts: number[]): void;
  translate(x: number, y: number): void;
  save(): void;
  restore(): void;
}

// Which colours do drawings use? The page's tokens as they stand now; nothing is coloured by another list.

export interface Inks {
  readonly paper: string;
  readonly sheet: string;
  readonly ink: string;
  /** Bars of a count: lighter than text, so that a full drawing is no slab. */
  readonly mid: string;
  readonly quiet: string;
  readonly line: string;
  readonly accent: string;
  readonly hair: string;
  readonly look: string;
  readonly bad: string;
  readonly sans: string;
  /** Okabe and Ito (2008): blue, vermilion, green, purple. */
  readonly series: readonly string[];
}

/** Colour and dash of the n-th series: four colours, then the same again in dashes. */
export function seriesInk(inks: Inks, index: number): { colour: string; dash: number[] } {
  const colour = inks.series[index % inks.series.length] ?? inks.ink;
  const round = Math.floor(index / inks.series.length);
  return { colour, dash: round === 0 ? [] : [6, 3 * round] };
}

export interface TimeMark {
  readonly ms: number;
  readonly label: string;
}

export interface Sheet {
  readonly ctx: Pen;
  /** CSS pixels. */
  readonly width: number;
  readonly height: number;
  readonly inks: Inks;
  /** Light ink on a dark ground. */
  readonly isDark: boolean;
  /** Round moments between two, at most `most` of them, in the zone in which times are shown. */
  readonly marksBetween: (fromMs: number, toMs: number, most: number) => readonly TimeMark[];
}

// What do all drawings over time share: the axis, the rules of marks, the hatch of what was not recorded?

// How is the time axis of a canvas drawn? A hairline, short marks, labels that do not run over the ends.

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
export function drawTimeAxis({ ctx, inks, marksBetween }: Sheet, scale: TimeScale, top: number): void {
  const y = Math.round(top) + 0.5;
  ctx.strokeStyle = inks.line;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(scale.left, y);
  ctx.lineTo(scale.right, y);
  ctx.fillStyle = inks.quiet;
  ctx.textBaseline = "top";
  let free = scale.left;
  for (const mark of marksBetween(scale.fromMs, scale.toMs, Math.max(1, (scale.right - scale.left) / 84))) {
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

// How does a person's mark show on a drawing? A dashed rule through it, and its text at the top where there is room;
// what it says in full stands in the list of marks.

export interface MarkRule {
  readonly atMs: number;
  readonly text: string;
}

interface RuleGround {
  readonly ctx: Pen;
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
const MIN_ROOM_PX = 40;
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
    if (!before && room < MIN_ROOM_PX * ratio) return;
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
export function shortened(ctx: Pen, text: string, room: number): string {
  if (ctx.measureText(text).width <= room) return text;
  let short = text;
  while (short.length > 1 && ctx.measureText(`${short}…`).width > room) short = short.slice(0, -1);
  return `${short}…`;
}

// Time that nobody recorded: hatched, and named where there is room. It is neither a silence nor a zero.

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
