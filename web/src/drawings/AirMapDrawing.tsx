/** The air map of a gateway on the screen, and the scale of its shades. */
import type { AirMap } from "../../../src/contract/air.ts";
import { airMapHeight, drawAirMap, fillShade } from "../../../src/drawings/air-map.ts";
import { percent } from "../../../src/words/format.ts";
import { Canvas, type Sheet } from "./Canvas.tsx";

/** One gateway's map. */
export function AirMapDrawing({ map, label }: { map: AirMap; label: string }) {
  return <Canvas height={airMapHeight(map)} draw={(sheet: Sheet) => drawAirMap(sheet, map)} label={label} />;
}

/** The scale of the shades, with its ends in figures. */
export function ShadeScale({ top }: { top: number }) {
  const draw = ({ ctx, width, height, isDark }: Sheet) => {
    for (let x = 0; x < width; x += 1) {
      fillShade(ctx, { x, y: 0, wide: 1, high: height }, x / width, isDark);
    }
  };
  return (
    <span class="shade-scale">
      <span>in use: above 0</span>
      <span class="shade-band">
        <Canvas
          height={12}
          draw={draw}
          label={`Shades from near the ground, little in use, to far from it, ${percent(top, 0)} in use`}
        />
      </span>
      <span>{percent(top, 0)}</span>
    </span>
  );
}
