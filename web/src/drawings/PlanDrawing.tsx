/**
 * Where do gateways and nodes stand, and how strong are the ways between them? A plain plan from metres alone: no
 * map, no tiles. The line's weight is the margin; below the thin mark it is dashed, and the figure stands on it.
 */
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import type { PlanLink, PlanThing } from "../../../src/contract/user-data.ts";
import { decibel, figure, THIN } from "../../../src/words/format.ts";
import { watchSurroundings } from "./Canvas.tsx";
import "./plot.css";
import "./PlanDrawing.css";

// How do metres become a drawing? One scale for both axes, room at the edges, a bar of a round length.

export interface PlanLayout {
  /** Units of the drawing for a thing's place. */
  readonly x: (eastM: number) => number;
  readonly y: (northM: number) => number;
  readonly width: number;
  readonly height: number;
  /** A round length and how long it is drawn. */
  readonly barM: number;
  readonly barWidth: number;
}

const EDGE = 64;
const MAX_BAR = 200;
/** A lone thing, or two in one place, still get a ground of this many metres. */
const MIN_EXTENT_M = 50;

/** Width in units of the drawing; the height follows from the site, within reason. */
function planLayout(things: readonly PlanThing[], width: number): PlanLayout {
  const east = extent(things.map(({ eastM }) => eastM));
  const north = extent(things.map(({ northM }) => northM));
  const usable = width - 2 * EDGE;
  const tallest = width < 500 ? width * 1.2 : width * 0.75;
  const scale = Math.min(usable / east.size, (tallest - 2 * EDGE) / north.size);
  const height = Math.max(240, Math.min(tallest, north.size * scale + 2 * EDGE));
  const barM = roundLength(MAX_BAR / scale);
  return {
    x: (value) => width / 2 + (value - east.middle) * scale,
    y: (value) => height / 2 - (value - north.middle) * scale,
    width,
    height,
    barM,
    barWidth: barM * scale,
  };
}

function extent(values: readonly number[]): { middle: number; size: number } {
  if (values.length === 0) return { middle: 0, size: MIN_EXTENT_M };
  const low = Math.min(...values);
  const high = Math.max(...values);
  return { middle: (low + high) / 2, size: Math.max(MIN_EXTENT_M, high - low) };
}

/** The largest of 1, 2, 5 times a power of ten that is no more than this. */
export function roundLength(most: number): number {
  const power = 10 ** Math.floor(Math.log10(most));
  const digit = [5, 2, 1].find((one) => one * power <= most * (1 + 1e-9)) ?? 1;
  return digit * power;
}

export interface LabelPlace {
  readonly id: string;
  readonly x: number;
  readonly y: number;
  readonly anchor: "start" | "end";
}

/** Labels beside their things, on the side with room, moved down where one would cover another. */
function labelPlaces(
  things: readonly (PlanThing & { readonly title: string })[],
  { x, y, width }: PlanLayout,
): LabelPlace[] {
  const taken: { left: number; right: number; y: number }[] = [];
  return [...things]
    .sort((a, b) => y(a.northM) - y(b.northM))
    .map((thing) => {
      const long = thing.title.length * 7.4;
      const at = x(thing.eastM);
      const isRight = at + 14 + long < width;
      const left = isRight ? at + 12 : at - 12 - long;
      let line = y(thing.northM) + 5;
      while (taken.some((one) => one.left < left + long && one.right > left && Math.abs(one.y - line) < 16))
        line += 16;
      taken.push({ left, right: left + long, y: line });
      return {
        id: `${thing.kind} ${thing.id}`,
        x: isRight ? at + 12 : at - 12,
        y: line,
        anchor: isRight ? "start" : "end",
      };
    });
}

export interface PlanDrawingProps {
  readonly things: readonly PlanThing[];
  readonly links: readonly PlanLink[];
  readonly label: string;
}

/** Margin below which a way is thin, dB: the same as in the list of nodes. */
const THIN_MARGIN_DB = 5;
/** More figures than this on the lines, and none can be read: the table has them. */
const MAX_FIGURES = 24;

export function PlanDrawing({ things, links, label }: PlanDrawingProps) {
  const frame = useRef<HTMLDivElement>(null);
  const [width, setWidth] = useState(960);
  useLayoutEffect(() => {
    const element = frame.current;
    if (element === null) return;
    setWidth(Math.max(300, element.clientWidth));
    return watchSurroundings(element, () => setWidth(Math.max(300, element.clientWidth)));
  }, []);
  const layout = planLayout(things, width);
  const titled = things.map((thing) => ({ ...thing, title: thing.name ?? thing.id }));
  const places = new Map(labelPlaces(titled, layout).map((place) => [place.id, place]));
  const find = (kind: PlanThing["kind"], id: string) =>
    things.find((thing) => thing.kind === kind && thing.id === id);
  const { x, y, height, barM, barWidth } = layout;
  return (
    <div ref={frame}>
      <svg
        class="plot plan-drawing"
        viewBox={`0 0 ${layout.width} ${height.toFixed(0)}`}
        role="img"
        aria-label={label}
      >
        {links.map((link) => {
          const node = find("node", link.devAddr);
          const gateway = find("gateway", link.gatewayEui);
          if (node === undefined || gateway === undefined) return null;
          const [x1, y1, x2, y2] = [x(node.eastM), y(node.northM), x(gateway.eastM), y(gateway.northM)];
          const margin = link.marginMedianDb ?? 0;
          return (
            <g key={`${link.devAddr} ${link.gatewayEui}`}>
              <path
                class={margin < THIN_MARGIN_DB ? "plan-link plan-thin" : "plan-link"}
                stroke-width={weight(margin)}
                d={`M${x1.toFixed(1)} ${y1.toFixed(1)}L${x2.toFixed(1)} ${y2.toFixed(1)}`}
              />
              {links.length > MAX_FIGURES ? null : (
                <text
                  class="plan-quiet plan-halo"
                  text-anchor="middle"
                  x={(x1 * 0.6 + x2 * 0.4).toFixed(1)}
                  y={(y1 * 0.6 + y2 * 0.4 + 4).toFixed(1)}
                >
                  {decibel(link.marginMedianDb)}
                </text>
              )}
            </g>
          );
        })}
        {titled.map((thing) => {
          const place = places.get(`${thing.kind} ${thing.id}`);
          const [cx, cy] = [x(thing.eastM), y(thing.northM)];
          return (
            <g key={`${thing.kind} ${thing.id}`}>
              {thing.kind === "gateway" ? (
                <path class="plan-gateway" d={`M${cx.toFixed(1)} ${(cy - 9).toFixed(1)}l8 15h-16z`} />
              ) : (
                <circle class="plan-node" cx={cx.toFixed(1)} cy={cy.toFixed(1)} r="5" />
              )}
              {place === undefined ? null : (
                <text class="plan-halo" x={place.x} y={place.y} text-anchor={place.anchor}>
                  {thing.title}
                </text>
              )}
            </g>
          );
        })}
        <path class="plan-scale" d={`M16 ${height - 24}v8h${barWidth.toFixed(1)}v-8`} />
        <text class="plan-quiet" x={24 + barWidth} y={height - 12}>
          {barM >= 1000 ? `${figure(barM / 1000)}${THIN}km` : `${figure(barM, barM < 1 ? 1 : 0)}${THIN}m`}
        </text>
        <path class="plan-scale" d={`M${layout.width - 24} 52V20m-6 9l6-9l6 9`} />
        <text class="plan-quiet" x={layout.width - 24} y={68} text-anchor="middle">
          N
        </text>
      </svg>
    </div>
  );
}

/** 1 px at the floor, 6 px from 20 dB on. */
function weight(marginDb: number): string {
  return (1 + 5 * Math.min(1, Math.max(0, marginDb / 20))).toFixed(1);
}
