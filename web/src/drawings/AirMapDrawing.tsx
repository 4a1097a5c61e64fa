/**
 * Air map: which channel was busy when? Channels as rows in order of frequency, time as columns, shade by the
 * share of time in use; a stroke through a cell where many frames arrived broken.
 */
import type { AirMap } from "../../../src/contract/air.ts";
import { megahertz, percent } from "../format/format.ts";
import { Canvas, type Sheet } from "./Canvas.tsx";
import { cividis, scaleTop } from "./cividis.ts";
import { drawTimeAxis, type TimeScale } from "./draw-axis.ts";

const ROW_PX = 22;
const LABEL_PX = 92;
/** From this share of CRC-failed frames a cell is struck through. Common practice, no source. */
export const MANY_BROKEN = 0.3;

/** Largest share in use of any cell, for the caption and the scale. */
export function busiestCell(map: AirMap): number {
  let most = 0;
  for (const row of map.utilisation) for (const share of row) if (share > most) most = share;
  return most;
}

/** One gateway's map. */
export function AirMapDrawing({ map, label }: { map: AirMap; label: string }) {
  const top = scaleTop(busiestCell(map));
  const columns = Math.max(1, ...map.utilisation.map((row) => row.length));
  const fromMs = Date.parse(map.from);
  const draw = (sheet: Sheet) => {
    const { ctx, width, inks } = sheet;
    const scale: TimeScale = {
      fromMs,
      toMs: fromMs + columns * map.cellSeconds * 1000,
      left: LABEL_PX,
      right: width,
    };
    const wide = (width - LABEL_PX) / columns;
    map.frequenciesHz.forEach((frequencyHz, row) => {
      const y = row * ROW_PX;
      ctx.fillStyle = inks.quiet;
      ctx.textBaseline = "middle";
      ctx.fillText(megahertz(frequencyHz), 0, y + ROW_PX / 2);
      for (let column = 0; column < columns; column += 1) {
        const share = map.utilisation[row]?.[column] ?? 0;
        if (share <= 0) continue;
        const x = LABEL_PX + column * wide;
        const [red, green, blue] = cividis(share / top);
        ctx.fillStyle = `rgb(${red} ${green} ${blue})`;
        ctx.fillRect(x, y + 1, Math.max(1, wide - (wide > 4 ? 1 : 0)), ROW_PX - 2);
        if ((map.crcBadRatio[row]?.[column] ?? 0) < MANY_BROKEN) continue;
        // Dark on the light end of the map, light on the dark end.
        ctx.strokeStyle = green > 130 ? "#11151a" : "#ffffff";
        ctx.lineWidth = 1.5;
        ctx.beginPath();
        ctx.moveTo(x + 1, y + ROW_PX - 4);
        ctx.lineTo(x + Math.max(4, Math.min(wide - 2, ROW_PX - 8)), y + 4);
        ctx.stroke();
      }
    });
    drawTimeAxis(sheet, scale, map.frequenciesHz.length * ROW_PX + 2);
  };
  return <Canvas height={map.frequenciesHz.length * ROW_PX + 24} draw={draw} label={label} />;
}

/** The scale of the shades, with its ends in figures. */
export function ShadeScale({ top }: { top: number }) {
  const draw = ({ ctx, width, height }: Sheet) => {
    for (let x = 0; x < width; x += 1) {
      const [red, green, blue] = cividis(x / width);
      ctx.fillStyle = `rgb(${red} ${green} ${blue})`;
      ctx.fillRect(x, 0, 1, height);
    }
  };
  return (
    <span class="shade-scale">
      <span>in use: above 0</span>
      <span class="shade-band">
        <Canvas height={12} draw={draw} label="Shades from dark, little in use, to light, much in use" />
      </span>
      <span>{percent(top, 0)}</span>
    </span>
  );
}
