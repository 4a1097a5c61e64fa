/**
 * How does delivery follow something else? Curves on a ground of 0 to 100 %, drawn in the pixels that there are, so that
 * their words keep their size: delivery by SNR of a receiver, and delivery as nodes are added.
 */
import type { ComponentChildren } from "preact";
import { useId } from "preact/hooks";
import type { ReceiverFactor } from "../../../src/contract/bench.ts";
import type { CapacityView } from "../../../src/contract/capacity.ts";
import { figure, percent } from "../../../src/words/format.ts";
import { useFrameWidth } from "./Canvas.tsx";
import "./plot.css";

interface PlotPlace {
  readonly width: number;
  readonly ground: number;
  /** Pixels of a share of frames delivered. */
  readonly y: (share: number) => number;
  /** The fill that hatches an interval. */
  readonly hatched: string;
}

interface DeliveryPlotProps {
  readonly label: string;
  readonly height: number;
  readonly head: number;
  readonly foot: number;
  readonly left: number;
  readonly right: number;
  /** Where it is not known yet how wide the page is, pixels. */
  readonly firstWidth: number;
  /** The lowest share drawn; it, the middle and 1 have a line. */
  readonly bottom: number;
  readonly unit: string;
  readonly children: (place: PlotPlace) => ComponentChildren;
}

/** The ground of a curve of delivery: lines at three shares, the unit of the other axis at the foot. */
function DeliveryPlot(props: DeliveryPlotProps) {
  const { label, height, head, foot, left, right, bottom } = props;
  const hatch = useId();
  const { frame, width } = useFrameWidth(props.firstWidth);
  const ground = height - foot;
  const y = (share: number) => ground - ((share - bottom) / (1 - bottom)) * (ground - head);
  return (
    <div ref={frame}>
      <svg class="plot" viewBox={`0 0 ${width} ${height}`} role="img" aria-label={label}>
        <defs>
          <pattern
            id={hatch}
            width="5"
            height="5"
            patternUnits="userSpaceOnUse"
            patternTransform="rotate(45)"
          >
            <path class="plot-hatch" d="M0 0V5" />
          </pattern>
        </defs>
        {[bottom, (1 + bottom) / 2, 1].map((share) => (
          <g key={share}>
            <path class="plot-grid" d={`M${left} ${y(share)}H${width - right}`} />
            <text x={left - 6} y={y(share) + 4} text-anchor="end">
              {figure(share * 100)}&#8239;%
            </text>
          </g>
        ))}
        {props.children({ width, ground, y, hatched: `url(#${hatch})` })}
        <text x={width - right} y={height - 5} text-anchor="end">
          {props.unit}
        </text>
      </svg>
    </div>
  );
}

// Down to which SNR does a receiver demodulate? Points with their intervals, the fitted knee, the level of half delivery
// with its interval as a band, and the data sheet's floor as a dashed rule.

const DELIVERY = {
  height: 200,
  left: 46,
  right: 10,
  head: 40,
  foot: 36,
  firstWidth: 340,
  bottom: 0,
} as const;
/** The drawing's ends about the data sheet's floor, dB: the answer has no points beyond. */
const BELOW_DB = 6;
const ABOVE_DB = 8;
/** A normal knee as a logistic one: the same to within 1 % (Johnson and Kotz, from memory). */
const LOGISTIC_OF_NORMAL = 1.702;
const CURVE_STEPS = 56;
/** What "measured −12.5" takes, pixels. */
const MEASURED_WIDTH = 112;

export function DeliveryCurve({ factor, label }: { factor: ReceiverFactor; label: string }) {
  return (
    <DeliveryPlot {...DELIVERY} label={label} unit="SNR, dB">
      {(place) => <DeliveryBySnr factor={factor} {...place} />}
    </DeliveryPlot>
  );
}

function DeliveryBySnr({ factor, width, ground, y, hatched }: PlotPlace & { factor: ReceiverFactor }) {
  const { left, right, head } = DELIVERY;
  const { floorDb, levelDb, interval95, points } = factor;
  const low = floorDb - BELOW_DB;
  const high = floorDb + ABOVE_DB;
  const x = (snrDb: number) =>
    left + ((Math.min(high, Math.max(low, snrDb)) - low) / (high - low)) * (width - left - right);
  const ticks: number[] = [];
  const step = width < 300 ? 4 : 2;
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) ticks.push(value);
  const curve = curveOf(factor, low, high);
  // Each label on its rule's outer side; the measured one turns inward where the edge is near.
  const isLevelLeft = levelDb !== null && levelDb < floorDb;
  const levelX = x(levelDb ?? floorDb);
  const isLabelLeft = isLevelLeft ? levelX > MEASURED_WIDTH : levelX > width - MEASURED_WIDTH;
  return (
    <>
      {interval95 === null ? null : (
        <rect
          fill={hatched}
          x={x(interval95[0]).toFixed(1)}
          y={head}
          width={Math.max(2, x(interval95[1]) - x(interval95[0])).toFixed(1)}
          height={ground - head}
        />
      )}
      <path class="plot-limit" d={`M${x(floorDb).toFixed(1)} ${head - 6}V${ground}`} />
      <text
        x={(x(floorDb) + (isLevelLeft ? 2 : -2)).toFixed(1)}
        y={levelDb === null ? head - 12 : head - 26}
        text-anchor={isLevelLeft ? "start" : "end"}
      >
        data sheet {figure(floorDb, 1)}
      </text>
      {levelDb === null ? null : (
        <>
          <path class="plot-rule" d={`M${levelX.toFixed(1)} ${head - 6}V${ground}`} />
          <text
            class="plot-figure"
            x={(levelX + (isLabelLeft ? -2 : 2)).toFixed(1)}
            y={head - 10}
            text-anchor={isLabelLeft ? "end" : "start"}
          >
            measured {figure(levelDb, 1)}
          </text>
        </>
      )}
      {curve === null ? null : (
        <path
          class="plot-line"
          d={curve
            .map(([snrDb, share], i) => `${i === 0 ? "M" : "L"}${x(snrDb).toFixed(1)} ${y(share).toFixed(1)}`)
            .join("")}
        />
      )}
      {points.map(({ snrDb, delivered, interval95: [least, most] }) => (
        <g key={snrDb}>
          <path
            class="plot-interval"
            d={`M${x(snrDb).toFixed(1)} ${y(least).toFixed(1)}V${y(most).toFixed(1)}`}
          />
          <circle class="plot-point" cx={x(snrDb).toFixed(1)} cy={y(delivered).toFixed(1)} r={3.5} />
        </g>
      ))}
      {ticks.map((value) => (
        <text key={value} x={x(value).toFixed(1)} y={ground + 16} text-anchor="middle">
          {figure(value)}
        </text>
      ))}
    </>
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

// How does delivery fall as nodes are added? A line with its interval as a hatched band, the share to keep as a dashed
// rule, and the room as a rule of its own where the line meets it.

const ROOM = { height: 220, left: 50, right: 14, head: 26, foot: 40, firstWidth: 600 } as const;
/** What "room 1 234" takes, pixels. */
const ROOM_WIDTH = 90;

/** Whether delivery falls to the share within what is drawn. */
export function isShareReached({ curve, mean }: CapacityView): boolean {
  return mean !== null && mean.moreNodes < (curve.at(-1)?.moreNodes ?? 0);
}

export function RoomCurve({ view, label }: { view: CapacityView; label: string }) {
  const least = Math.min(view.share - 0.05, ...view.curve.map(({ interval95 }) => interval95[0]));
  const bottom = Math.max(0, Math.floor(least * 10) / 10);
  return (
    <DeliveryPlot {...ROOM} label={label} bottom={bottom} unit="more nodes">
      {(place) => <DeliveryByNodes view={view} {...place} />}
    </DeliveryPlot>
  );
}

function DeliveryByNodes({ view, width, ground, y, hatched }: PlotPlace & { view: CapacityView }) {
  const { left, right, head } = ROOM;
  const { curve, share, mean } = view;
  const most = Math.max(1, ...curve.map(({ moreNodes }) => moreNodes));
  const x = (more: number) => left + (Math.min(more, most) / most) * (width - left - right);
  const at = (more: number, delivery: number) => `${x(more).toFixed(1)} ${y(delivery).toFixed(1)}`;
  const upper = curve.map(({ moreNodes, interval95 }) => at(moreNodes, interval95[1]));
  const lower = curve.map(({ moreNodes, interval95 }) => at(moreNodes, interval95[0])).reverse();
  const isRoomDrawn = isShareReached(view) && mean !== null && mean.moreNodes > 0;
  const roomX = x(mean?.moreNodes ?? 0);
  const isLabelLeft = roomX > width - right - ROOM_WIDTH;
  return (
    <>
      <path fill={hatched} d={`M${upper.join("L")}L${lower.join("L")}Z`} />
      <path class="plot-limit" d={`M${left} ${y(share).toFixed(1)}H${width - right}`} />
      <text x={left + 4} y={(y(share) + 16).toFixed(1)}>
        keep {percent(share)}
      </text>
      <path
        class="plot-line"
        d={`M${curve.map(({ moreNodes, delivery }) => at(moreNodes, delivery)).join("L")}`}
      />
      {isRoomDrawn ? (
        <>
          <path class="plot-rule" d={`M${roomX.toFixed(1)} ${head - 6}V${ground}`} />
          <text
            class="plot-figure"
            x={(roomX + (isLabelLeft ? -4 : 4)).toFixed(1)}
            y={head - 10}
            text-anchor={isLabelLeft ? "end" : "start"}
          >
            room {figure(mean.moreNodes)}
          </text>
        </>
      ) : null}
      {[0, 0.5, 1].map((part) => (
        <text
          key={part}
          x={x(part * most).toFixed(1)}
          y={ground + 16}
          text-anchor={part === 0 ? "start" : part === 1 ? "end" : "middle"}
        >
          {figure(part * most)}
        </text>
      ))}
    </>
  );
}
