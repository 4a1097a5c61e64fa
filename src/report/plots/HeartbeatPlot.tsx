/**
 * When was a gateway alive, and how much did it hear? Cells along the window: receptions as height, a tick below for
 * keepalives that came; where fewer came than were expected the paper stays bare.
 */
import type { Heartbeat } from "../../contract/gateways.ts";
import type { Clock } from "../format.ts";
import { timeTicks } from "./time-ticks.ts";

const WIDTH = 640;
const HEIGHT = 44;
const LINE = 8;
const MOST_CELLS = 160;

/** The figure, without caption: it stands under its gateway's heading. */
export function HeartbeatPlot({ beat, clock, words }: { beat: Heartbeat; clock: Clock; words: string }) {
  const group = Math.max(1, Math.ceil(beat.receptions.length / MOST_CELLS));
  const receptions = grouped(beat.receptions, group);
  const keepalives = grouped(beat.keepalives, group);
  const top = Math.max(1, ...receptions);
  const cell = WIDTH / Math.max(1, receptions.length);
  const fromMs = Date.parse(beat.from);
  const toMs = fromMs + beat.receptions.length * beat.cellSeconds * 1000;
  return (
    <figure>
      <svg viewBox={`0 0 ${WIDTH} ${HEIGHT + LINE + 18}`} role="img" aria-label={words}>
        {receptions.map((heard, index) => {
          const height = (heard / top) * (HEIGHT - 4);
          const expected = beat.keepalivesExpected * group;
          const alive = expected === 0 ? heard > 0 : (keepalives[index] ?? 0) >= expected / 2;
          return (
            <g key={index}>
              {heard > 0 ? (
                <rect
                  x={round(index * cell)}
                  y={round(HEIGHT - height)}
                  width={round(Math.max(0.5, cell - 0.6))}
                  height={round(height)}
                  fill="#0072b2"
                />
              ) : null}
              {alive ? (
                <rect
                  x={round(index * cell)}
                  y={HEIGHT + 2}
                  width={round(cell + 0.1)}
                  height={LINE - 4}
                  fill="#57606e"
                />
              ) : null}
            </g>
          );
        })}
        {timeTicks(fromMs, toMs).map((ms) => {
          const x = round(((ms - fromMs) / (toMs - fromMs)) * WIDTH);
          return (
            <g key={ms}>
              <line
                x1={x}
                x2={x}
                y1={HEIGHT + LINE - 2}
                y2={HEIGHT + LINE + 3}
                stroke="#57606e"
                stroke-width="0.5"
              />
              <text
                x={x}
                y={HEIGHT + LINE + 14}
                text-anchor={x < 20 ? "start" : x > WIDTH - 20 ? "end" : "middle"}
                class="quiet"
              >
                {clock.tick(ms)}
              </text>
            </g>
          );
        })}
      </svg>
      <figcaption>{words}</figcaption>
    </figure>
  );
}

function grouped(values: readonly number[], group: number): number[] {
  return Array.from({ length: Math.ceil(values.length / group) }, (_, index) =>
    values.slice(index * group, (index + 1) * group).reduce((sum, value) => sum + value, 0),
  );
}

function round(value: number): number {
  return Math.round(value * 10) / 10;
}
