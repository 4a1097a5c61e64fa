/**
 * How do estimates with their intervals compare? One row each on one scale: a dot, its interval as a line, the label
 * left and the words right; a rule where the question turns (zero for a difference).
 */

export interface IntervalRow {
  readonly label: string;
  readonly estimate: number;
  readonly low: number;
  readonly high: number;
  /** At the right end: "97.4 % (95.0 to 98.7)". */
  readonly words: string;
  /** Drawn heavier: the sum of the others. */
  readonly pooled?: boolean;
}

export interface IntervalPlotProps {
  readonly rows: readonly IntervalRow[];
  /** Ends of the scale; chosen by the caller so that plots of one kind can be compared. */
  readonly from: number;
  readonly to: number;
  readonly ticks: readonly { readonly at: number; readonly label: string }[];
  readonly rule?: number;
  /** Words at both ends of the scale: "shed hears better", "tower hears better". */
  readonly ends?: readonly [string, string];
  readonly caption: string;
}

const WIDTH = 640;
const ROW = 18;
const LEFT = 170;
const RIGHT = 180;
const TOP = 6;
const MAX_LABEL = 26;
const MAX_END = 46;

/** The figure; a long label is cut with dots, its whole is in the table beside it. */
export function IntervalPlot({ rows, from, to, ticks, rule, ends, caption }: IntervalPlotProps) {
  const bottom = TOP + rows.length * ROW + 4;
  const height = bottom + 18 + (ends === undefined ? 0 : 16);
  const x = (value: number) =>
    LEFT + ((Math.min(Math.max(value, from), to) - from) / (to - from)) * (WIDTH - LEFT - RIGHT);
  return (
    <figure>
      <svg viewBox={`0 0 ${WIDTH} ${height}`} role="img" aria-label={caption}>
        {ticks.map(({ at, label }) => (
          <g key={at}>
            <line x1={x(at)} x2={x(at)} y1={TOP} y2={bottom} stroke="#c9c4b8" stroke-width="0.5" />
            <text x={x(at)} y={bottom + 13} text-anchor="middle" class="quiet">
              {label}
            </text>
          </g>
        ))}
        {rule === undefined ? null : (
          <line x1={x(rule)} x2={x(rule)} y1={TOP} y2={bottom} stroke="#1c232e" stroke-width="1" />
        )}
        {rows.map((row, index) => (
          <Row key={index} row={row} y={TOP + (index + 0.5) * ROW} x={x} />
        ))}
        {ends === undefined ? null : (
          <>
            <text x={0} y={bottom + 29} class="quiet">
              ← {shortened(ends[0], MAX_END)}
            </text>
            <text x={WIDTH} y={bottom + 29} text-anchor="end" class="quiet">
              {shortened(ends[1], MAX_END)} →
            </text>
          </>
        )}
      </svg>
      <figcaption>{caption}</figcaption>
    </figure>
  );
}

interface RowProps {
  readonly row: IntervalRow;
  readonly y: number;
  readonly x: (value: number) => number;
}

function Row({ row, y, x }: RowProps) {
  const weight = row.pooled === true ? 2.5 : 1.5;
  return (
    <>
      <text x={0} y={y + 4} font-weight={row.pooled === true ? 600 : 400}>
        {shortened(row.label, MAX_LABEL)}
      </text>
      <line x1={x(row.low)} x2={x(row.high)} y1={y} y2={y} stroke="#1c232e" stroke-width={weight} />
      <circle cx={x(row.estimate)} cy={y} r={row.pooled === true ? 4.5 : 3} fill="#1c232e" />
      <text x={WIDTH} y={y + 4} text-anchor="end">
        {row.words}
      </text>
    </>
  );
}

function shortened(label: string, most: number): string {
  const letters = [...label];
  return letters.length <= most ? label : `${letters.slice(0, most - 1).join("")}…`;
}
