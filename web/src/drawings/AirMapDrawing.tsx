/**
 * Air map: which channel was busy when, and whose was it? Channels as rows in order of frequency, time as columns, shade
 * by the share of time in use; the strangers' part of a cell is hatched, a cross stands where many packets arrived
 * broken, and a thin lane beneath each channel carries its noise floor.
 */
import type { AirMap } from "../../../src/contract/air.ts";
import { megahertz, percent } from "../format/format.ts";
import { type AirCell, busiestCell, gridOf, noiseRange } from "./air-cells.ts";
import { Canvas, type Sheet } from "./Canvas.tsx";
import { cividis, scaleTop } from "./cividis.ts";
import { drawTimeAxis, type TimeScale, xOf } from "./draw-axis.ts";

const ROW_PX = 20;
const LANE_PX = 12;
const GAP_PX = 4;
const LABEL_PX = 92;
/** Below this width of a cell its neighbours join it. */
const LEAST_CELL_PX = 4;
const HATCH_PX = 6;

/** One gateway's map. */
export function AirMapDrawing({ map, label }: { map: AirMap; label: string }) {
  const top = scaleTop(busiestCell(map));
  const range = noiseRange(map);
  const pitch = ROW_PX + GAP_PX + (range === null ? 0 : LANE_PX);
  const columns = Math.max(1, ...map.utilisation.map((row) => row.length));
  const fromMs = Date.parse(map.from);
  const tall = map.frequenciesHz.length * pitch;
  const draw = (sheet: Sheet) => {
    const { ctx, width, inks } = sheet;
    const scale: TimeScale = {
      fromMs,
      toMs: fromMs + columns * map.cellSeconds * 1000,
      left: LABEL_PX,
      right: width,
    };
    const { rows, together } = gridOf(map, Math.floor((width - LABEL_PX) / LEAST_CELL_PX));
    const wide = ((width - LABEL_PX) / columns) * together;
    map.frequenciesHz.forEach((frequencyHz, row) => {
      const y = row * pitch;
      ctx.fillStyle = inks.quiet;
      ctx.textBaseline = "middle";
      ctx.fillText(megahertz(frequencyHz), 0, y + ROW_PX / 2);
      rows[row]?.forEach((cell, column) => {
        if (cell.inUse <= 0) return;
        const x = LABEL_PX + column * wide;
        const box = { x, y, wide: Math.min(wide - (wide > 5 ? 1 : 0), width - x), high: ROW_PX };
        drawCell(ctx, box, cell, top);
      });
      if (range !== null) drawNoise(sheet, scale, map, row, y + ROW_PX + 1, range);
    });
    drawTimeAxis(sheet, scale, tall + 2);
  };
  return <Canvas height={tall + 24} draw={draw} label={label} />;
}

interface Box {
  readonly x: number;
  readonly y: number;
  readonly wide: number;
  readonly high: number;
}

function drawCell(ctx: CanvasRenderingContext2D, box: Box, cell: AirCell, top: number): void {
  const [red, green, blue] = cividis(cell.inUse / top);
  ctx.fillStyle = `rgb(${red} ${green} ${blue})`;
  ctx.fillRect(box.x, box.y, box.wide, box.high);
  // Dark on the light end of the map, light on the dark end.
  ctx.strokeStyle = green > 130 ? "#11151a" : "#ffffff";
  if (cell.strangers !== null && cell.strangers > 0) hatch(ctx, box, cell.strangers);
  if (cell.isBroken) cross(ctx, box);
}

/** Slanted lines from the foot of the cell up to the strangers' share of it; they run on from cell to cell. */
function hatch(ctx: CanvasRenderingContext2D, { x, y, wide, high }: Box, share: number): void {
  const up = Math.max(3, high * share);
  ctx.save();
  ctx.beginPath();
  ctx.rect(x, y + high - up, wide, up);
  ctx.clip();
  ctx.lineWidth = 1;
  ctx.globalAlpha = 0.8;
  ctx.beginPath();
  for (let at = Math.floor((x - high) / HATCH_PX) * HATCH_PX; at < x + wide; at += HATCH_PX) {
    ctx.moveTo(at, y + high);
    ctx.lineTo(at + high, y);
  }
  ctx.stroke();
  ctx.restore();
}

function cross(ctx: CanvasRenderingContext2D, { x, y, wide }: Box): void {
  const reach = Math.min(3.5, Math.max(2, wide / 2 - 1));
  const [midX, midY] = [x + wide / 2, y + 6];
  ctx.lineWidth = 1.5;
  ctx.beginPath();
  ctx.moveTo(midX - reach, midY - reach);
  ctx.lineTo(midX + reach, midY + reach);
  ctx.moveTo(midX + reach, midY - reach);
  ctx.lineTo(midX - reach, midY + reach);
  ctx.stroke();
}

function drawNoise(
  { ctx, inks }: Sheet,
  scale: TimeScale,
  { noise }: AirMap,
  row: number,
  top: number,
  { low, high }: { low: number; high: number },
): void {
  const fromMs = Date.parse(noise.from);
  const at = (index: number) =>
    Math.min(scale.right, Math.max(scale.left, xOf(scale, fromMs + index * noise.stretchSeconds * 1000)));
  ctx.strokeStyle = inks.line;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(scale.left, Math.round(top + LANE_PX - 1) + 0.5);
  ctx.lineTo(scale.right, Math.round(top + LANE_PX - 1) + 0.5);
  ctx.stroke();
  ctx.strokeStyle = inks.ink;
  ctx.lineWidth = 1.5;
  ctx.beginPath();
  let isDown = false;
  noise.dbm[row]?.forEach((dbm, index) => {
    if (dbm === null) {
      isDown = false;
      return;
    }
    const y = top + LANE_PX - 2 - ((dbm - low) / (high - low)) * (LANE_PX - 3);
    if (isDown) ctx.lineTo(at(index), y);
    else ctx.moveTo(at(index), y);
    ctx.lineTo(at(index + 1), y);
    isDown = true;
  });
  ctx.stroke();
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
