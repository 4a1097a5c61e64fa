/**
 * How are the margins of a link spread? A bar a decibel, the floor as a rule, hollow bars below it, and three marks:
 * weakest tenth, median, strongest tenth. All links of a page share one scale.
 */
import { useEffect, useRef, useState } from "preact/hooks";
import type { MarginDistribution } from "../../../src/contract/link.ts";
import { db, figure } from "../format/format.ts";
import { watchSurroundings } from "./Canvas.tsx";
import "./MarginBars.css";

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
  const frame = useRef<HTMLDivElement>(null);
  const [width, setWidth] = useState(700);
  useEffect(() => {
    const element = frame.current;
    if (element === null) return;
    const measure = () => setWidth(Math.max(240, element.clientWidth));
    measure();
    return watchSurroundings(element, measure);
  }, []);
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
      <svg class="margin-bars" viewBox={`0 0 ${width} ${HEIGHT}`} role="img" aria-label={label}>
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
        <path class="margin-axis" d={`M0 ${ground}H${width}`} />
        <path class="margin-floor" d={`M${x(0).toFixed(1)} ${HEAD - 10}V${ground}`} />
        <path
          class="margin-mark"
          d={marks.map((value) => `M${x(value).toFixed(1)} ${HEAD - 4}V${ground}`).join("")}
        />
        {medianDb === null ? null : (
          <text x={Math.min(width - 110, x(medianDb) + 5).toFixed(1)} y={14}>
            median {db(medianDb)}
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
