/**
 * How does delivery fall as nodes are added? A line with its interval as a hatched band, the share to keep as a dashed
 * rule, and the room as a rule of its own where the line meets it.
 */
import { useId } from "preact/hooks";
import type { CapacityView } from "../../../src/contract/capacity.ts";
import { figure, percent } from "../../../src/words/format.ts";
import { useFrameWidth } from "./Canvas.tsx";
import "./RoomCurve.css";

const HEIGHT = 220;
const LEFT = 50;
const RIGHT = 14;
const HEAD = 26;
const FOOT = 40;
/** What "room 1 234" takes, pixels. */
const LABEL_WIDTH = 90;

/** Whether delivery falls to the share within what is drawn. */
export function isShareReached({ curve, mean }: CapacityView): boolean {
  return mean !== null && mean.moreNodes < (curve.at(-1)?.moreNodes ?? 0);
}

/** Drawn in the pixels that there are, so that its words keep their size. */
export function RoomCurve({ view, label }: { view: CapacityView; label: string }) {
  const hatch = useId();
  const { frame, width } = useFrameWidth(600);
  const { curve, share, mean } = view;
  const most = Math.max(1, ...curve.map(({ moreNodes }) => moreNodes));
  const least = Math.min(share - 0.05, ...curve.map(({ interval95 }) => interval95[0]));
  const bottom = Math.max(0, Math.floor(least * 10) / 10);
  const ground = HEIGHT - FOOT;
  const x = (more: number) => LEFT + (Math.min(more, most) / most) * (width - LEFT - RIGHT);
  const y = (delivery: number) => ground - ((delivery - bottom) / (1 - bottom)) * (ground - HEAD);
  const at = (more: number, delivery: number) => `${x(more).toFixed(1)} ${y(delivery).toFixed(1)}`;
  const upper = curve.map(({ moreNodes, interval95 }) => at(moreNodes, interval95[1]));
  const lower = curve.map(({ moreNodes, interval95 }) => at(moreNodes, interval95[0])).reverse();
  const isRoomDrawn = isShareReached(view) && mean !== null && mean.moreNodes > 0;
  const roomX = x(mean?.moreNodes ?? 0);
  const isToldLeft = roomX > width - RIGHT - LABEL_WIDTH;
  return (
    <div ref={frame}>
      <svg class="room-curve" viewBox={`0 0 ${width} ${HEIGHT}`} role="img" aria-label={label}>
        <defs>
          <pattern
            id={hatch}
            width="5"
            height="5"
            patternUnits="userSpaceOnUse"
            patternTransform="rotate(45)"
          >
            <path class="room-hatch" d="M0 0V5" />
          </pattern>
        </defs>
        {[bottom, (1 + bottom) / 2, 1].map((delivery) => (
          <g key={delivery}>
            <path class="room-grid" d={`M${LEFT} ${y(delivery)}H${width - RIGHT}`} />
            <text x={LEFT - 6} y={y(delivery) + 4} text-anchor="end">
              {figure(delivery * 100)}&#8239;%
            </text>
          </g>
        ))}
        <path fill={`url(#${hatch})`} d={`M${upper.join("L")}L${lower.join("L")}Z`} />
        <path class="room-share" d={`M${LEFT} ${y(share).toFixed(1)}H${width - RIGHT}`} />
        <text x={LEFT + 4} y={(y(share) + 16).toFixed(1)}>
          keep {percent(share)}
        </text>
        <path
          class="room-line"
          d={`M${curve.map(({ moreNodes, delivery }) => at(moreNodes, delivery)).join("L")}`}
        />
        {isRoomDrawn ? (
          <>
            <path class="room-rule" d={`M${roomX.toFixed(1)} ${HEAD - 6}V${ground}`} />
            <text
              class="room-told"
              x={(roomX + (isToldLeft ? -4 : 4)).toFixed(1)}
              y={HEAD - 10}
              text-anchor={isToldLeft ? "end" : "start"}
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
        <text x={width - RIGHT} y={HEIGHT - 6} text-anchor="end">
          more nodes
        </text>
      </svg>
    </div>
  );
}
