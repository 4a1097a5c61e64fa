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
