/**
 * How are the margins of a link spread? A bar a decibel, the floor as a rule, hollow bars below it, and three marks:
 * weakest tenth, median, strongest tenth. All links of a page share one scale.
 */
import type { MarginDistribution } from "../../../src/contract/link.ts";
import type { Strip } from "../../../src/contract/nodes.ts";
import { counted, decibel, figure, percent } from "../../../src/words/format.ts";
import { useFrameWidth } from "./Canvas.tsx";
import "./plot.css";
import "./bars.css";
import "./SmallStrip.css";

export interface MarginBarsProps {
  readonly margin: MarginDistribution;
  /** Scale of the page, dB, whole. */
  readonly lowDb: number;
  readonly highDb: number;
  readonly label: string;
}

const HEIGHT = 120;
const EDGE = 20;
const FOOT = 24;
const HEAD = 22;

/** The scale that holds every link's bins, with the floor always in it. */
export function marginScale(margins: readonly MarginDistribution[]): { lowDb: number; highDb: number } {
  const filled = margins.filter(({ bins }) => bins.length > 0);
  const low = Math.min(-3, ...filled.map(({ firstBinDb }) => firstBinDb));
  const high = Math.max(12, ...filled.map(({ firstBinDb, bins }) => firstBinDb + bins.length));
  return { lowDb: low, highDb: high };
}

/** Drawn in the pixels that there are, so that its words keep their size. */
export function MarginBars({ margin, lowDb, highDb, label }: MarginBarsProps) {
  const { frame, width } = useFrameWidth(700);
  const { bins, firstBinDb, p10Db, medianDb, p90Db } = margin;
  const most = Math.max(1, ...bins);
  const x = (value: number) => EDGE + ((value - lowDb) / (highDb - lowDb)) * (width - 2 * EDGE);
  const ground = HEIGHT - FOOT;
  const step = (highDb - lowDb) / (width / 60) > 5 ? 10 : 5;
  const ticks: number[] = [];
  for (let value = Math.ceil(lowDb / step) * step; value <= highDb; value += step) ticks.push(value);
  const marks = [p10Db, medianDb, p90Db].filter((value) => value !== null);
  return (
    <div ref={frame}>
      <svg class="plot margin-bars" viewBox={`0 0 ${width} ${HEIGHT}`} role="img" aria-label={label}>
        {bins.map((count, at) => {
          if (count === 0) return null;
          const value = firstBinDb + at;
          const tall = Math.max(1.5, (count / most) * (ground - HEAD));
          return (
            <rect
              key={value}
              class={value < 0 ? "margin-bar-below" : "margin-bar"}
              x={(x(value) + 0.75).toFixed(1)}
              y={(ground - tall).toFixed(1)}
              width={Math.max(1, x(1) - x(0) - 1.5).toFixed(1)}
              height={tall.toFixed(1)}
            />
          );
        })}
        <path class="plot-grid" d={`M0 ${ground}H${width}`} />
        <path class="margin-floor" d={`M${x(0).toFixed(1)} ${HEAD - 10}V${ground}`} />
        <path
          class="plot-rule"
          d={marks.map((value) => `M${x(value).toFixed(1)} ${HEAD - 4}V${ground}`).join("")}
        />
        {medianDb === null ? null : (
          <text x={Math.min(width - 110, x(medianDb) + 5).toFixed(1)} y={14}>
            median {decibel(medianDb)}
          </text>
        )}
        {ticks.map((value) => (
          <text key={value} x={x(value).toFixed(1)} y={HEIGHT - 7} text-anchor="middle">
            {value === 0 ? "floor" : figure(value)}
          </text>
        ))}
      </svg>
    </div>
  );
}

// How near is each transmitter to its limit? A bar of what was heard, a hollow one of what was probably sent, and one
// rule where the limit stands, the same for all rows: each bar is measured in its own limit.

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
      <p class="bars-legend">
        <span>full: heard at least</span>
        <span>hollow: estimate, with what was missed</span>
        <span>rule: the limit (100&#8239;%)</span>
      </p>
    </div>
  );
}

// How do two shares of the same thing compare, row by row? A full bar above a hollow one, label first, figures last.

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
      <p class="bars-legend">
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

// How sure is a delivery ratio? A dot at the ratio, a line over its 95 % interval, on 0 to 100 %.

export interface IntervalBarProps {
  readonly ratio: number | null;
  readonly interval: readonly [number, number] | null;
}

/** Drawn beside the figure, which says the same in numbers. */
export function IntervalBar({ ratio, interval }: IntervalBarProps) {
  if (ratio === null || interval === null) return null;
  const x = (value: number) => 3 + value * 74;
  return (
    <svg class="interval-bar" viewBox="0 0 80 12" aria-hidden="true">
      <path class="interval-ground" d="M3 6h74M3 3v6M40 4v4M77 3v6" />
      <path class="interval-line" d={`M${x(interval[0]).toFixed(1)} 6H${x(interval[1]).toFixed(1)}`} />
      <circle class="interval-dot" cx={x(ratio)} cy="6" r="3" />
    </svg>
  );
}

/** The scale of a column of interval bars, beneath its head: 0, 50, 100 %. Hidden from the ear: each bar has its figures. */
export function IntervalScale() {
  return (
    <span class="interval-scale" aria-hidden="true">
      <span>0</span>
      <span>50</span>
      <span>100</span>
    </span>
  );
}

// How did a node fare over the window, in a row of a list? Heard above the line, missed as open notches below.

const ABOVE = 14;
const BELOW = 8;

/** The counter strip in small: up to 60 bins. */
export function SmallStrip({ strip }: { strip: Strip }) {
  const bins = Math.max(1, strip.heard.length);
  const most = Math.max(1, ...strip.heard.map((heard, at) => heard + missedIn(strip, at)));
  let heardPath = "";
  let missedPath = "";
  let outagePath = "";
  let unknownPath = "";
  strip.heard.forEach((heard, at) => {
    const missed = strip.missed[at] ?? 0;
    const outage = strip.missedDuringOutage[at] ?? 0;
    const x = at * 2 + 0.5;
    if (heard > 0) heardPath += `M${x} ${ABOVE}v${-Math.max(3, (heard / most) * ABOVE).toFixed(1)}`;
    const notch = Math.max(3, (missedIn(strip, at) / most) * BELOW).toFixed(1);
    if ((strip.missedNotRecorded[at] ?? 0) > 0) unknownPath += `M${x} ${ABOVE + 3}v1.5m0 2v1.5`;
    if (missed > outage) missedPath += `M${x} ${ABOVE + 2}v${notch}`;
    else if (outage > 0) outagePath += `M${x} ${ABOVE + 2}v${notch}`;
  });
  const total = (values: readonly number[]) => values.reduce((sum, value) => sum + value, 0);
  const unknown = total(strip.missedNotRecorded);
  const words = `${counted(total(strip.heard), "counter")} heard, ${total(strip.missed)} missed${unknown === 0 ? "" : `, ${unknown} not recorded`}`;
  return (
    <svg
      class="small-strip"
      viewBox={`0 0 ${bins * 2} ${ABOVE + BELOW + 2}`}
      preserveAspectRatio="none"
      role="img"
      aria-label={words}
    >
      <path class="small-strip-line" d={`M0 ${ABOVE + 1}h${bins * 2}`} />
      <path class="small-strip-heard" d={heardPath} />
      <path class="small-strip-missed" d={missedPath} />
      <path class="small-strip-outage" d={outagePath} />
      <path class="small-strip-outage" d={unknownPath} />
    </svg>
  );
}

function missedIn(strip: Strip, at: number): number {
  return strip.missed[at] ?? 0;
}
