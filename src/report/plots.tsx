/** Plots that stand on paper alone: the ticks of a time axis, two spreads of readings, the stops of a walk. */
import type { WalkVerdict, WalkView } from "../contract/link.ts";

// At which moments does a time axis of the report carry a label? At five to nine round ones.

const STEPS_MINUTES = [1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 4320, 7200, 10_080, 20_160];
const MOST = 9;

/** Epoch milliseconds of the ticks between two moments, counted from whole UTC steps. */
export function timeTicks(fromMs: number, toMs: number): number[] {
  const span = toMs - fromMs;
  const step =
    (STEPS_MINUTES.find((minutes) => span / (minutes * 60_000) <= MOST) ??
      Math.ceil(span / (MOST * 86_400_000)) * 1440) * 60_000;
  const first = Math.ceil(fromMs / step) * step;
  const ticks: number[] = [];
  for (let ms = first; ms <= toMs; ms += step) ticks.push(ms);
  return ticks;
}

// How are two sets of readings spread? The one as bars above a common line, the other below it.

export interface HistogramPlotProps {
  /** Begin of the first bin and width of each, dB. */
  readonly from: number;
  readonly bin: number;
  readonly above: readonly number[];
  readonly below: readonly number[];
  readonly caption: string;
}

const HISTOGRAM_WIDTH = 640;
const HALF = 38;
const MAX_TICKS = 9;

export function HistogramPlot({ from, bin, above, below, caption }: HistogramPlotProps) {
  const bins = Math.max(above.length, below.length);
  const most = Math.max(1, ...above, ...below);
  const wide = HISTOGRAM_WIDTH / Math.max(1, bins);
  const step = [1, 2, 5, 10, 20, 50].find((size) => (bins * bin) / size <= MAX_TICKS) ?? 100;
  const first = Math.ceil(from / step) * step;
  const ticks = Array.from({ length: MAX_TICKS + 1 }, (_, i) => first + i * step).filter(
    (at) => at <= from + bins * bin,
  );
  const bars = (counts: readonly number[], up: boolean) =>
    counts.map((count, i) => {
      const tall = (HALF * count) / most;
      return count === 0 ? null : (
        <rect
          // Bins of a page that is written once never move.
          key={i}
          x={i * wide + 0.5}
          y={up ? HALF - tall : HALF}
          width={Math.max(0.5, wide - 1)}
          height={tall}
          fill={up ? "#0072b2" : "#d55e00"}
        />
      );
    });
  return (
    <figure>
      <svg viewBox={`0 0 ${HISTOGRAM_WIDTH} ${2 * HALF + 16}`} role="img" aria-label={caption}>
        {bars(above, true)}
        {bars(below, false)}
        <line x1={0} x2={HISTOGRAM_WIDTH} y1={HALF} y2={HALF} stroke="#1c232e" stroke-width="0.7" />
        {ticks.map((at) => (
          <text
            key={at}
            x={Math.min(HISTOGRAM_WIDTH - 12, Math.max(12, ((at - from) / bin) * wide))}
            y={2 * HALF + 13}
            text-anchor="middle"
            class="quiet"
          >
            {String(at).replace("-", "\u2212")}
          </text>
        ))}
      </svg>
      <figcaption>{caption}</figcaption>
    </figure>
  );
}

// Where did a walk test stop, and how did each stop come out? Shapes and words over metres, north up.

const WIDE = 640;
const MARGIN = 60;
/** Metres: a smaller plan would blow up what a position cannot tell. */
const MIN_SPAN_M = 20;
const MAX_TALL = 460;

interface Dot {
  readonly title: string;
  readonly eastM: number;
  readonly northM: number;
  readonly verdict: WalkVerdict | "gateway";
}

/** Null where no stop has a position. */
export function StopPlan({ walk, caption }: { readonly walk: WalkView; readonly caption: string }) {
  if (walk.stops.every(({ place }) => place === null)) return null;
  const dots: Dot[] = [
    ...walk.gateways.flatMap(({ eui, name, place }): Dot[] =>
      place === null ? [] : [{ title: name ?? eui, ...place, verdict: "gateway" }],
    ),
    ...walk.stops.flatMap(({ name, place, best }): Dot[] =>
      place === null ? [] : [{ title: name, ...place, verdict: best }],
    ),
  ];
  const easts = dots.map(({ eastM }) => eastM);
  const norths = dots.map(({ northM }) => northM);
  const [west, south] = [Math.min(...easts), Math.min(...norths)];
  const spanEast = Math.max(MIN_SPAN_M, Math.max(...easts) - west);
  const spanNorth = Math.max(...norths) - south;
  const perM = Math.min((WIDE - 2 * MARGIN) / spanEast, (MAX_TALL - 2 * MARGIN) / Math.max(1, spanNorth));
  const tall = spanNorth * perM + 2 * MARGIN;
  const bar = roundLength(spanEast / 4);
  return (
    <figure>
      <svg viewBox={`0 0 ${WIDE} ${tall + 22}`} role="img" aria-label={caption}>
        {dots.map(({ title, eastM, northM, verdict }, i) => {
          const x = MARGIN + (eastM - west) * perM;
          const y = tall - MARGIN - (northM - south) * perM;
          const anchor = x < WIDE / 4 ? "start" : x > (WIDE * 3) / 4 ? "end" : "middle";
          return (
            <g key={i} transform={`translate(${x.toFixed(1)} ${y.toFixed(1)})`}>
              <Shape verdict={verdict} />
              <text x={anchor === "start" ? -7 : anchor === "end" ? 7 : 0} y={24} text-anchor={anchor}>
                {title}
                {verdict === "gateway" ? "" : `, ${verdict === "waiting" ? "too early to say" : verdict}`}
              </text>
            </g>
          );
        })}
        <path d={`M${MARGIN} ${tall}v6h${bar * perM}v-6`} fill="none" stroke="#57606e" />
        <text x={MARGIN + bar * perM + 8} y={tall + 8} class="quiet">
          {`${bar}\u202Fm, north up`}
        </text>
      </svg>
      <figcaption>{caption}</figcaption>
    </figure>
  );
}

function roundLength(metres: number): number {
  const power = 10 ** Math.floor(Math.log10(Math.max(1, metres)));
  return ([5, 2, 1].find((step) => step * power <= metres) ?? 1) * power;
}

/** Tick, triangle, cross, ring; a gateway is a filled triangle. */
function Shape({ verdict }: { readonly verdict: Dot["verdict"] }) {
  const line = { fill: "none", "stroke-width": 2 };
  switch (verdict) {
    case "good":
      return <path d="M-7 0l5 6l9 -12" stroke="#2e6a39" {...line} />;
    case "marginal":
      return <path d="M0 -8l8 14h-16z" stroke="#855600" {...line} />;
    case "dead":
      return <path d="M-7 -7l14 14M-7 7l14 -14" stroke="#a3242b" {...line} />;
    case "waiting":
      return <circle r={7} stroke="#57606e" {...line} />;
    case "gateway":
      return <path d="M0 -11l9 18h-18z" fill="#1c232e" />;
  }
}

// How do estimates with their intervals compare? One row each on one scale: a dot, its interval as a line, the label
// left and the words right; a rule where the question turns (zero for a difference).

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
