/** How do metres become a drawing? One scale for both axes, room at the edges, a bar of a round length. */
import type { PlanThing } from "../../../src/contract/positions.ts";

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
const MOST_BAR = 200;
/** A lone thing, or two in one place, still get a ground of this many metres. */
const LEAST_EXTENT_M = 50;

/** Width in units of the drawing; the height follows from the site, within reason. */
export function planLayout(things: readonly PlanThing[], width: number): PlanLayout {
  const east = extent(things.map(({ eastM }) => eastM));
  const north = extent(things.map(({ northM }) => northM));
  const usable = width - 2 * EDGE;
  const tallest = width < 500 ? width * 1.2 : width * 0.75;
  const scale = Math.min(usable / east.size, (tallest - 2 * EDGE) / north.size);
  const height = Math.max(240, Math.min(tallest, north.size * scale + 2 * EDGE));
  const barM = roundLength(MOST_BAR / scale);
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
  if (values.length === 0) return { middle: 0, size: LEAST_EXTENT_M };
  const low = Math.min(...values);
  const high = Math.max(...values);
  return { middle: (low + high) / 2, size: Math.max(LEAST_EXTENT_M, high - low) };
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
export function labelPlaces(
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
