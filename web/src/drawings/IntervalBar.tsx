/** How sure is a delivery ratio? A dot at the ratio, a line over its 95 % interval, on 0 to 100 %. */
import "./IntervalBar.css";

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
      <path class="interval-ground" d="M3 6h74M3 3v6M77 3v6" />
      <path class="interval-line" d={`M${x(interval[0]).toFixed(1)} 6H${x(interval[1]).toFixed(1)}`} />
      <circle class="interval-dot" cx={x(ratio)} cy="6" r="3" />
    </svg>
  );
}
