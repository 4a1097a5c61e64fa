/**
 * What happened at this moment of a plot? Small heads above thin rules: hover, focus or a tap on one reads its
 * sentence. The rules themselves are drawn with the plot; the heads stand over it, since a canvas takes no focus.
 */
import { clockTime, dayMonth } from "../format/times.ts";
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
