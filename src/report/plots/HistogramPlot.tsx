/** How are two sets of readings spread? The one as bars above a common line, the other below it. */

export interface HistogramPlotProps {
  /** Begin of the first bin and width of each, dB. */
  readonly from: number;
  readonly bin: number;
  readonly above: readonly number[];
  readonly below: readonly number[];
  readonly caption: string;
}

const WIDTH = 640;
const HALF = 38;
const MOST_TICKS = 9;

export function HistogramPlot({ from, bin, above, below, caption }: HistogramPlotProps) {
  const bins = Math.max(above.length, below.length);
  const most = Math.max(1, ...above, ...below);
  const wide = WIDTH / Math.max(1, bins);
  const step = [1, 2, 5, 10, 20, 50].find((size) => (bins * bin) / size <= MOST_TICKS) ?? 100;
  const first = Math.ceil(from / step) * step;
  const ticks = Array.from({ length: MOST_TICKS + 1 }, (_, i) => first + i * step).filter(
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
      <svg viewBox={`0 0 ${WIDTH} ${2 * HALF + 16}`} role="img" aria-label={caption}>
        {bars(above, true)}
        {bars(below, false)}
        <line x1={0} x2={WIDTH} y1={HALF} y2={HALF} stroke="#1c232e" stroke-width="0.7" />
        {ticks.map((at) => (
          <text
            key={at}
            x={Math.min(WIDTH - 12, Math.max(12, ((at - from) / bin) * wide))}
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
