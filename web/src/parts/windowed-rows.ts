/** Which rows of a long table are drawn? Those near the screen; empty rows above and below keep the page's length. */
import type { RefObject } from "preact";
import { useEffect, useLayoutEffect, useState } from "preact/hooks";

/** Shorter tables are drawn whole: so the browser's own search finds every row. Chosen. */
const WHOLE_UP_TO = 60;
/** Drawn beyond each edge of the screen, so that a quick scroll shows no white. */
const BEYOND = 6;
/** Until rows were measured. */
const FIRST_GUESS_PX = 64;

export interface Part {
  readonly first: number;
  /** One after the last. */
  readonly end: number;
  readonly rowPx: number;
}

/** Returns the part of `count` rows that lies within `[topPx, bottomPx]` of the table's own pixels, and a little more. */
export function partInSight(count: number, rowPx: number, topPx: number, bottomPx: number): Part {
  const first = Math.min(count, Math.max(0, Math.floor(topPx / rowPx) - BEYOND));
  const end = Math.max(first, Math.min(count, Math.ceil(bottomPx / rowPx) + BEYOND));
  return { first, end, rowPx };
}

/** The rows to draw of a table body; null: all of them. Follows scroll and size; paper gets every row. */
export function useWindowedRows(body: RefObject<HTMLTableSectionElement | null>, count: number): Part | null {
  const isLong = count > WHOLE_UP_TO;
  const [part, setPart] = useState<Part>({ first: 0, end: WHOLE_UP_TO / 2, rowPx: FIRST_GUESS_PX });
  const [isPrinted, setPrinted] = useState(false);
  useLayoutEffect(() => {
    if (!isLong) return;
    const look = () => {
      const element = body.current;
      if (element === null) return;
      const drawn = [...element.querySelectorAll<HTMLElement>("tr[data-row]")];
      const [first, last] = [drawn[0]?.getBoundingClientRect(), drawn.at(-1)?.getBoundingClientRect()];
      const measured =
        first === undefined || last === undefined ? 0 : (last.bottom - first.top) / drawn.length;
      const { top } = element.getBoundingClientRect();
      setPart((before) => {
        // A new mean of a pixel or less would only make the page tremble.
        const rowPx =
          measured > 0 && Math.abs(measured - before.rowPx) > before.rowPx * 0.05 ? measured : before.rowPx;
        const next = partInSight(count, rowPx, -top, innerHeight - top);
        return next.first === before.first && next.end === before.end && rowPx === before.rowPx
          ? before
          : next;
      });
    };
    look();
    let asked = 0;
    const later = () => {
      cancelAnimationFrame(asked);
      asked = requestAnimationFrame(look);
    };
    addEventListener("scroll", later, { passive: true });
    addEventListener("resize", later);
    return () => {
      cancelAnimationFrame(asked);
      removeEventListener("scroll", later);
      removeEventListener("resize", later);
    };
  }, [isLong, count]);
  useEffect(() => {
    const query = matchMedia("print");
    const follow = () => setPrinted(query.matches);
    query.addEventListener("change", follow);
    return () => query.removeEventListener("change", follow);
  }, []);
  return isLong && !isPrinted ? part : null;
}
