/** How is something drawn that is too fine for elements? A canvas that follows its width, the scheme and the printer. */
import type { RefObject } from "preact";
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import type { Inks, Sheet as PlainSheet } from "../../../src/drawings/sheet.ts";
import { timeMarks } from "./plot-edges.tsx";

/** The tokens of base.css, read from the page. */
export function readInks(): Inks {
  const style = getComputedStyle(document.documentElement);
  const token = (name: string) => style.getPropertyValue(`--${name}`).trim();
  return {
    paper: token("paper"),
    sheet: token("sheet"),
    ink: token("ink"),
    mid: token("mid"),
    quiet: token("quiet"),
    line: token("line"),
    accent: token("accent"),
    hair: token("hair"),
    look: token("look"),
    bad: token("bad"),
    sans: token("sans"),
    series: [1, 2, 3, 4].map((index) => token(`series-${index}`)),
  };
}

/** A sheet on a canvas of the page. */
export interface Sheet extends PlainSheet {
  readonly ctx: CanvasRenderingContext2D;
}

export interface CanvasProps {
  /** CSS pixels; a function when it depends on the width. */
  readonly height: number | ((width: number) => number);
  readonly draw: (sheet: Sheet) => void;
  /** Says what is drawn; the figures themselves are in the table. */
  readonly label: string;
}

/** Draws anew whenever it is rendered, resized, printed, or the system changes between light and dark. */
export function Canvas({ height, draw, label }: CanvasProps) {
  const element = useRef<HTMLCanvasElement>(null);
  const latest = useRef({ height, draw });
  latest.current = { height, draw };
  /** Width of the last painting, CSS pixels; 0 before. */
  const painted = useRef(0);

  const paint = () => {
    const canvas = element.current;
    const ctx = canvas?.getContext("2d");
    if (!canvas || !ctx) return;
    const width = canvas.clientWidth;
    if (width === 0) return;
    painted.current = width;
    const wanted = latest.current.height;
    const tall = typeof wanted === "number" ? wanted : wanted(width);
    const ratio = devicePixelRatio || 1;
    canvas.style.height = `${tall}px`;
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(tall * ratio);
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    const inks = readInks();
    ctx.font = `13px ${inks.sans}`;
    const isDark = matchMedia("(prefers-color-scheme: dark)").matches && !matchMedia("print").matches;
    latest.current.draw({ ctx, width, height: tall, inks, isDark, marksBetween: timeMarks });
  };

  // `paint` reads what is newest through refs: the first one will do for ever.
  const kept = useRef(paint);
  // At first, and where the height changes, before the page is shown: it must not move what stands beneath.
  useLayoutEffect(() => {
    const canvas = element.current;
    if (canvas === null) return;
    // Of the width as it was painted: asking for it now would lay the whole page out; if it changed, that is watched.
    const tall = typeof height === "number" ? height : height(painted.current);
    if (painted.current > 0 && canvas.style.height === `${tall}px`) paintSoon(kept.current);
    else kept.current();
  });
  useEffect(() => {
    const canvas = element.current;
    if (canvas === null) return;
    const stop = watchSurroundings(canvas, kept.current);
    return () => {
      stop();
      forgetPaint(kept.current);
    };
  }, []);
  return <canvas ref={element} role="img" aria-label={label} />;
}

const MIN_FRAME_PX = 220;

/** The width that a drawing has, in pixels, once its `frame` is laid out; `first` until then. */
export function useFrameWidth(first: number): { frame: RefObject<HTMLDivElement | null>; width: number } {
  const frame = useRef<HTMLDivElement>(null);
  const [width, setWidth] = useState(first);
  useLayoutEffect(() => {
    const element = frame.current;
    if (element === null) return;
    const measure = () => setWidth(Math.max(MIN_FRAME_PX, element.clientWidth));
    measure();
    return watchSurroundings(element, measure);
  }, []);
  return { frame, width };
}

/** Calls `again` when `element` changes width, letters arrive, the colours change, or printing begins or ends. Returns the clean-up. */
export function watchSurroundings(element: Element, again: () => void): () => void {
  let width = element.clientWidth;
  const observer = new ResizeObserver(() => {
    if (element.clientWidth === width) return;
    width = element.clientWidth;
    again();
  });
  observer.observe(element);
  const queries = ["(prefers-color-scheme: dark)", "(forced-colors: active)", "print"].map((query) =>
    matchMedia(query),
  );
  for (const query of queries) query.addEventListener("change", again);
  document.fonts.addEventListener("loadingdone", again);
  return () => {
    observer.disconnect();
    document.fonts.removeEventListener("loadingdone", again);
    for (const query of queries) query.removeEventListener("change", again);
  };
}

// When is a drawing painted again? One a frame, after the elements of the page: an update of many drawings never holds
// a frame up, and a hidden tab paints nothing.

const waiting = new Set<() => void>();
let isAsked = false;

/** Paints in a later frame; the same function waits once, however often it is asked for. */
export function paintSoon(paint: () => void): void {
  waiting.add(paint);
  if (isAsked) return;
  isAsked = true;
  requestAnimationFrame(paintNext);
}

/** What is gone from the page is not painted. */
export function forgetPaint(paint: () => void): void {
  waiting.delete(paint);
}

function paintNext(): void {
  const [paint] = waiting;
  isAsked = waiting.size > 1;
  if (isAsked) requestAnimationFrame(paintNext);
  if (paint === undefined) return;
  waiting.delete(paint);
  paint();
}
