/**
 * How near is each transmitter to its limit? A bar of what was heard, a hollow one of what was probably sent, and one
 * rule where the limit stands, the same for all rows: each bar is measured in its own limit.
 */
import { percent } from "../format/format.ts";
import "./LimitBars.css";

export interface LimitRow {
  readonly key: string;
  readonly label: string;
  /** Which budget of it, in a few words. */
  readonly note: string;
  /** Shares of the limit; 1 is the limit. */
  readonly heard: number;
  readonly estimate: number | null;
}

/** The end of the scale: at least the limit and a quarter, at most three times the limit. */
function scaleEnd(rows: readonly LimitRow[]): number {
  const most = rows.reduce((max, { heard, estimate }) => Math.max(max, heard, estimate ?? 0), 0);
  return Math.min(3, Math.max(1.25, most * 1.05));
}

export function LimitBars({ label, rows }: { label: string; rows: readonly LimitRow[] }) {
  const end = scaleEnd(rows);
  const part = (share: number) => `${Math.min(1, share / end) * 100}%`;
  return (
    <div class="limit-bars" role="img" aria-label={label}>
      {rows.map(({ key, label: name, note, heard, estimate }) => (
        <div class="limit-row" key={key}>
          <span class="limit-label">
            {name} <span class="quiet small nowrap">{note}</span>
          </span>
          <span class="limit-track">
            {estimate === null ? null : <span class="limit-estimate" style={{ width: part(estimate) }} />}
            <span class="limit-heard" style={{ width: part(heard) }} />
            <span class="limit-rule" style={{ left: part(1) }} />
          </span>
          <span class="limit-figure">{percent(heard, 0)}</span>
        </div>
      ))}
      <p class="limit-legend">
        <span>full: heard at least</span>
        <span>hollow: estimate, with what was missed</span>
        <span>rule: the limit (100&#8239;%)</span>
      </p>
    </div>
  );
}
