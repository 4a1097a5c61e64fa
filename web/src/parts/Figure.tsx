/** How is a drawing shown? With a caption that says its finding, and as a table for whoever wants figures. */
import type { ComponentChildren } from "preact";
import { useState } from "preact/hooks";
import "./Figure.css";

export interface FigureProps {
  /** The finding, as a sentence; it names the drawing. */
  readonly caption: string;
  /** What the marks mean, in a line beneath. */
  readonly legend?: ComponentChildren;
  readonly drawing: ComponentChildren;
  /** Called only when the table is asked for. */
  readonly table: () => ComponentChildren;
}

/** A figure with its switch between drawing and table. */
export function Figure({ caption, legend, drawing, table }: FigureProps) {
  const [asTable, setAsTable] = useState(false);
  return (
    <figure class="figure" aria-label={caption}>
      <figcaption class="figure-caption">
        <span>{caption}</span>
        <button
          type="button"
          class="link screen-only small"
          aria-pressed={asTable}
          onClick={() => setAsTable(!asTable)}
        >
          {asTable ? "show as drawing" : "show as table"}
        </button>
      </figcaption>
      {asTable ? table() : drawing}
      {asTable || legend === undefined ? null : <div class="figure-legend">{legend}</div>}
    </figure>
  );
}
