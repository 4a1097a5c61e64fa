/** How does a drawing of the dashboard stand in a file? A pen that writes SVG elements in place of pixels. */
import { type ComponentChild, h } from "preact";
import type { Pen } from "../drawings/sheet.ts";

interface State {
  readonly fillStyle: string | object;
  readonly strokeStyle: string | object;
  readonly lineWidth: number;
  readonly globalAlpha: number;
  readonly font: string;
  readonly textAlign: Pen["textAlign"];
  readonly textBaseline: Pen["textBaseline"];
  readonly dash: readonly number[];
  readonly x: number;
  readonly y: number;
  /** Groups open when the state was kept. */
  readonly depth: number;
}

interface Group {
  readonly clip: string | null;
  readonly children: ComponentChild[];
}

/** Boxes of one paint after each other become one path: a drawing has thousands. */
interface Boxes {
  readonly paint: string;
  readonly attributes: Record<string, string | number>;
  path: string;
}

const BASELINE_EM = { middle: 0.35, top: 0.8, hanging: 0.8, bottom: -0.2, ideographic: -0.2, alphabetic: 0 };
const ANCHORS = { left: "start", start: "start", center: "middle", right: "end", end: "end" } as const;

/** Tenths of a pixel: finer cannot be printed. */
function round(value: number): number {
  return Math.round(value * 10) / 10;
}

/** Widths of letters in em, of a usual sans-serif face. Approximate: the reader's own face is not known here. */
function emOf(letter: string): number {
  if (/[ilj.,:;'|! \u202F\u00A0]/.test(letter)) return 0.3;
  if (/[mwMW%—]/.test(letter)) return 0.88;
  if (/[A-Z]/.test(letter)) return 0.66;
  return 0.56;
}

/** Writes what is drawn; `id` tells the clips of one drawing from those of another in the same file. */
export class SvgPen implements Pen {
  fillStyle: string | object = "#000000";
  strokeStyle: string | object = "#000000";
  lineWidth = 1;
  globalAlpha = 1;
  font = "13px sans-serif";
  textAlign: Pen["textAlign"] = "start";
  textBaseline: Pen["textBaseline"] = "alphabetic";
  readonly #id: string;
  readonly #groups: Group[] = [{ clip: null, children: [] }];
  readonly #kept: State[] = [];
  #dash: readonly number[] = [];
  #x = 0;
  #y = 0;
  #path = "";
  #boxes: Boxes | null = null;
  #clips = 0;

  constructor(id: string) {
    this.#id = id;
  }

  /** All that was drawn. */
  elements(): ComponentChild[] {
    while (this.#groups.length > 1) this.#close();
    this.#flush();
    return this.#groups[0]?.children ?? [];
  }

  beginPath(): void {
    this.#path = "";
  }

  moveTo(x: number, y: number): void {
    this.#path += `M${this.#at(x, y)}`;
  }

  lineTo(x: number, y: number): void {
    this.#path += `${this.#path === "" ? "M" : "L"}${this.#at(x, y)}`;
  }

  rect(x: number, y: number, wide: number, high: number): void {
    this.#path += this.#box(x, y, wide, high);
  }

  /** Whole circles only: the drawings use no other arc. */
  arc(x: number, y: number, radius: number): void {
    const r = round(radius);
    this.#path += `M${this.#at(x - radius, y)}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`;
  }

  fill(): void {
    this.#add(h("path", { d: this.#path, ...this.#filled() }));
  }

  stroke(): void {
    if (this.#path !== "") this.#add(h("path", { d: this.#path, ...this.#stroked() }));
  }

  clip(): void {
    this.#flush();
    this.#clips += 1;
    const clip = `${this.#id}-${this.#clips}`;
    this.#add(h("clipPath", { id: clip }, h("path", { d: this.#path })));
    this.#groups.push({ clip, children: [] });
  }

  fillRect(x: number, y: number, wide: number, high: number): void {
    const attributes = this.#filled();
    const paint = JSON.stringify(attributes);
    if (this.#boxes?.paint !== paint) {
      this.#flush();
      this.#boxes = { paint, attributes, path: "" };
    }
    this.#boxes.path += this.#box(x, y, wide, high);
  }

  strokeRect(x: number, y: number, wide: number, high: number): void {
    this.#add(h("path", { d: this.#box(x, y, wide, high), ...this.#stroked() }));
  }

  fillText(text: string, x: number, y: number): void {
    const px = this.#px();
    this.#add(
      h(
        "text",
        {
          x: round(x + this.#x),
          y: round(y + this.#y + px * BASELINE_EM[this.textBaseline]),
          "text-anchor": ANCHORS[this.textAlign],
          "font-size": px,
          fill: String(this.fillStyle),
        },
        text,
      ),
    );
  }

  measureText(text: string): { readonly width: number } {
    return { width: [...text].reduce((sum, letter) => sum + emOf(letter), 0) * this.#px() };
  }

  setLineDash(parts: number[]): void {
    this.#dash = parts;
  }

  translate(x: number, y: number): void {
    this.#x += x;
    this.#y += y;
  }

  save(): void {
    const { fillStyle, strokeStyle, lineWidth, globalAlpha, font, textAlign, textBaseline } = this;
    this.#kept.push({
      ...{ fillStyle, strokeStyle, lineWidth, globalAlpha, font, textAlign, textBaseline },
      ...{ dash: this.#dash, x: this.#x, y: this.#y, depth: this.#groups.length },
    });
  }

  restore(): void {
    const state = this.#kept.pop();
    if (state === undefined) return;
    while (this.#groups.length > state.depth) this.#close();
    const { dash, x, y, depth: _, ...own } = state;
    Object.assign(this, own);
    this.#dash = dash;
    this.#x = x;
    this.#y = y;
  }

  #at(x: number, y: number): string {
    return `${round(x + this.#x)} ${round(y + this.#y)}`;
  }

  #box(x: number, y: number, wide: number, high: number): string {
    return `M${this.#at(x, y)}h${round(wide)}v${round(high)}h${round(-wide)}z`;
  }

  #px(): number {
    return Number.parseFloat(this.font);
  }

  #filled(): Record<string, string | number> {
    const fill = String(this.fillStyle);
    return this.globalAlpha === 1 ? { fill } : { fill, "fill-opacity": round(this.globalAlpha * 10) / 10 };
  }

  #stroked(): Record<string, string | number> {
    return {
      fill: "none",
      stroke: String(this.strokeStyle),
      "stroke-width": this.lineWidth,
      ...(this.#dash.length === 0 ? {} : { "stroke-dasharray": this.#dash.join(" ") }),
      ...(this.globalAlpha === 1 ? {} : { "stroke-opacity": round(this.globalAlpha * 10) / 10 }),
    };
  }

  #add(element: ComponentChild): void {
    this.#flush();
    this.#groups.at(-1)?.children.push(element);
  }

  #flush(): void {
    const boxes = this.#boxes;
    this.#boxes = null;
    if (boxes !== null) this.#groups.at(-1)?.children.push(h("path", { d: boxes.path, ...boxes.attributes }));
  }

  #close(): void {
    this.#flush();
    const group = this.#groups.pop();
    if (group === undefined || group.clip === null || group.children.length === 0) return;
    this.#groups.at(-1)?.children.push(h("g", { "clip-path": `url(#${group.clip})` }, ...group.children));
  }
}
