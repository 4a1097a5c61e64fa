/**
 * Down to which SNR does a receiver demodulate? Delivery by SNR in one spreading factor: points with their intervals, the
 * fitted knee, the level of half delivery with its interval as a band, and the data sheet's floor as a dashed rule.
 */
import { useId } from "preact/hooks";
import type { ReceiverFactor } from "../../../src/contract/bench.ts";
import { figure } from "../../../src/words/format.ts";
import { useFrameWidth } from "./Canvas.tsx";
import "./DeliveryCurve.css";

const HEIGHT = 200;
const LEFT = 46;
const RIGHT = 10;
const HEAD = 40;
const FOOT = 36;
/** The drawing's ends about the data sheet's floor, dB: the answer has no points beyond. */
const BELOW_DB = 6;
const ABOVE_DB = 8;
/** A normal knee as a logistic one: the same to within 1 % (Johnson and Kotz, from memory). */
const LOGISTIC_OF_NORMAL = 1.702;
const CURVE_STEPS = 56;
/** What "measured −12.5" takes, pixels. */
const LABEL_WIDTH = 112;

/** Drawn in the pixels that there are, so that its words keep their size. */
export function DeliveryCurve({ factor, label }: { factor: ReceiverFactor; label: string }) {
  const hatch = useId();
  const { frame, width } = useFrameWidth(340);
  const { floorDb, levelDb, interval95, points } = factor;
  const low = floorDb - BELOW_DB;
  const high = floorDb + ABOVE_DB;
  const ground = HEIGHT - FOOT;
  const x = (snrDb: number) =>
    LEFT + ((Math.min(high, Math.max(low, snrDb)) - low) / (high - low)) * (width - LEFT - RIGHT);
  const y = (share: number) => ground - share * (ground - HEAD);
  const ticks: number[] = [];
  const step = width < 300 ? 4 : 2;
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) ticks.push(value);
  const curve = curveOf(factor, low, high);
  // Each label on its rule's outer side; the measured one turns inward where the edge is near.
  const isLevelLeft = levelDb !== null && levelDb < floorDb;
  const levelX = x(levelDb ?? floorDb);
  const isToldLeft = isLevelLeft ? levelX > LABEL_WIDTH : levelX > width - LABEL_WIDTH;
  return (
    <div ref={frame}>
      <svg class="delivery-curve" viewBox={`0 0 ${width} ${HEIGHT}`} role="img" aria-label={label}>
        <defs>
          <pattern
            id={hatch}
            width="5"
            height="5"
            patternUnits="userSpaceOnUse"
            patternTransform="rotate(45)"
          >
            <path class="delivery-hatch" d="M0 0V5" />
          </pattern>
        </defs>
        {[0, 0.5, 1].map((share) => (
          <g key={share}>
            <path class="delivery-grid" d={`M${LEFT} ${y(share)}H${width - RIGHT}`} />
            <text x={LEFT - 6} y={y(share) + 4} text-anchor="end">
              {figure(share * 100)}&#8239;%
            </text>
          </g>
        ))}
        {interval95 === null ? null : (
          <rect
            class="delivery-band"
            fill={`url(#${hatch})`}
            x={x(interval95[0]).toFixed(1)}
            y={HEAD}
            width={Math.max(2, x(interval95[1]) - x(interval95[0])).toFixed(1)}
            height={ground - HEAD}
          />
        )}
        <path class="delivery-floor" d={`M${x(floorDb).toFixed(1)} ${HEAD - 6}V${ground}`} />
        <text
          x={(x(floorDb) + (isLevelLeft ? 2 : -2)).toFixed(1)}
          y={levelDb === null ? HEAD - 12 : HEAD - 26}
          text-anchor={isLevelLeft ? "start" : "end"}
        >
          data sheet {figure(floorDb, 1)}
        </text>
        {levelDb === null ? null : (
          <>
            <path class="delivery-level" d={`M${levelX.toFixed(1)} ${HEAD - 6}V${ground}`} />
            <text
              class="delivery-told"
              x={(levelX + (isToldLeft ? -2 : 2)).toFixed(1)}
              y={HEAD - 10}
              text-anchor={isToldLeft ? "end" : "start"}
            >
              measured {figure(levelDb, 1)}
            </text>
          </>
        )}
        {curve === null ? null : (
          <path
            class="delivery-fit"
            d={curve
              .map(
                ([snrDb, share], i) => `${i === 0 ? "M" : "L"}${x(snrDb).toFixed(1)} ${y(share).toFixed(1)}`,
              )
              .join("")}
          />
        )}
        {points.map(({ snrDb, delivered, interval95: [least, most] }) => (
          <g key={snrDb}>
            <path
              class="delivery-span"
              d={`M${x(snrDb).toFixed(1)} ${y(least).toFixed(1)}V${y(most).toFixed(1)}`}
            />
            <circle class="delivery-point" cx={x(snrDb).toFixed(1)} cy={y(delivered).toFixed(1)} r={3.5} />
          </g>
        ))}
        {ticks.map((value) => (
          <text key={value} x={x(value).toFixed(1)} y={ground + 16} text-anchor="middle">
            {figure(value)}
          </text>
        ))}
        <text x={width - RIGHT} y={HEIGHT - 5} text-anchor="end">
          SNR, dB
        </text>
      </svg>
    </div>
  );
}

function curveOf(
  { levelDb, widthDb, deliveredAbove }: ReceiverFactor,
  low: number,
  high: number,
): [number, number][] | null {
  if (levelDb === null || widthDb === null || deliveredAbove === null) return null;
  return Array.from({ length: CURVE_STEPS + 1 }, (_, i) => {
    const snrDb = low + ((high - low) * i) / CURVE_STEPS;
    return [snrDb, deliveredAbove / (1 + Math.exp((-LOGISTIC_OF_NORMAL * (snrDb - levelDb)) / widthDb))];
  });
}
