/**
 * How are the margins of a link spread? A bar a decibel, the floor as a rule, hollow bars below it, and three marks:
 * weakest tenth, median, strongest tenth. All links of a page share one scale.
 */
import type { MarginDistribution } from "../../../src/contract/link.ts";
import { db, figure } from "../format/format.ts";
import "./MarginBars.css";

export interface MarginBarsProps {
  readonly margin: MarginDistribution;
  /** Scale of the page, dB, whole. */
  readonly lowDb: number;
  readonly highDb: number;
  readonly label: string;
}

const WIDTH = 720;
const HEIGHT = 120;
const LEFT = 8;
const FOOT = 22;
const HEAD = 20;

/** The scale that holds every link's bins, with the floor always in it. */
export function marginScale(margins: readonly MarginDistribution[]): { lowDb: number; highDb: number } {
  const filled = margins.filter(({ bins }) => bins.length > 0);
  const low = Math.min(-3, ...filled.map(({ firstBinDb }) => firstBinDb));
  const high = Math.max(12, ...filled.map(({ firstBinDb, bins }) => firstBinDb + bins.length));
  return { lowDb: low, highDb: high };
}

/** Nothing is drawn without a margin. */
export function MarginBars({ margin, lowDb, highDb, label }: MarginBarsProps) {
  const { bins, firstBinDb, p10Db, medianDb, p90Db } = margin;
  if (bins.length === 0) return <p class="quiet">No SNR was reported.</p>;
  const most = Math.max(...bins);
  const x = (value: number) => LEFT + ((value - lowDb) / (highDb - lowDb)) * (WIDTH - 2 * LEFT);
  const ground = HEIGHT - FOOT;
  const wide = x(1) - x(0);
  const step = highDb - lowDb > 40 ? 10 : 5;
  const marks = [];
  for (let value = Math.ceil(lowDb / step) * step; value <= highDb; value += step) marks.push(value);
  const quantiles: readonly [number | null, string][] = [
    [p10Db, "weakest tenth"],
    [medianDb, "median"],
    [p90Db, ""],
  ];
  return (
    <svg class="margin-bars" viewBox={`0 0 ${WIDTH} ${HEIGHT}`} role="img" aria-label={label}>
      {bins.map((count, at) => {
        if (count === 0) return null;
        const value = firstBinDb + at;
        const tall = Math.max(1.5, (count / most) * (ground - HEAD));
        return (
          <rect
            key={value}
            class={value < 0 ? "margin-bar-below" : "margin-bar"}
            x={x(value) + 0.75}
            y={ground - tall}
            width={Math.max(1, wide - 1.5)}
            height={tall}
          />
        );
      })}
      <path class="margin-axis" d={`M${LEFT} ${ground}H${WIDTH - LEFT}`} />
      <path class="margin-floor" d={`M${x(0)} ${HEAD - 12}V${ground}`} />
      {quantiles.map(([value, word]) =>
        value === null ? null : (
          <path key={word} class="margin-mark" d={`M${x(value)} ${HEAD - 4}V${ground}`} />
        ),
      )}
      {medianDb === null ? null : (
        <text x={Math.min(WIDTH - 120, x(medianDb) + 4)} y={13}>
          median {db(medianDb)}
        </text>
      )}
      {marks.map((value) => (
        <text key={value} x={x(value)} y={HEIGHT - 6} text-anchor="middle">
          {value === 0 ? "floor" : figure(value)}
        </text>
      ))}
    </svg>
  );
}
