/** How do two shares of the same thing compare, row by row? A full bar above a hollow one, label first, figures last. */
import { percent } from "../format/format.ts";
import "./PairBars.css";

export interface PairRow {
  readonly label: string;
  /** 0 to 1. */
  readonly full: number;
  readonly hollow: number;
  /** Marks the row's bars as strangers' by hatching. */
  readonly hatched?: boolean;
}

export function PairBars({
  label,
  full,
  hollow,
  rows,
}: {
  label: string;
  /** What the full and the hollow bar stand for. */
  full: string;
  hollow: string;
  rows: readonly PairRow[];
}) {
  return (
    <div class="pair-bars" role="img" aria-label={label}>
      {rows.map((row) => (
        <div class={row.hatched === true ? "pair-row pair-hatched" : "pair-row"} key={row.label}>
          <span class="pair-label">{row.label}</span>
          <span class="pair-tracks">
            <span class="pair-bar pair-full" style={{ width: `${row.full * 100}%` }} />
            <span class="pair-bar pair-hollow" style={{ width: `${row.hollow * 100}%` }} />
          </span>
          <span class="pair-figures">
            <span>{percent(row.full, 0)}</span>
            <span class="quiet">{percent(row.hollow, 0)}</span>
          </span>
        </div>
      ))}
      <p class="pair-legend">
        <span>
          <span class="pair-bar pair-full pair-sample" aria-hidden="true" /> {full}
        </span>
        <span>
          <span class="pair-bar pair-hollow pair-sample" aria-hidden="true" /> {hollow}
        </span>
      </p>
    </div>
  );
}
