/**
 * Air map: which channel was busy when, and whose was it? Channels as rows in order of frequency, time as columns, shade
 * by the share of time in use; the strangers' part of a cell is hatched, a cross stands where many packets arrived
 * broken, and a thin lane beneath each channel carries its noise floor.
 */
import type { AirMap } from "../contract/air.ts";
import { figure, megahertz, withUnit } from "../words/format.ts";
import { drawNotRecorded, drawTimeAxis, type Pen, type Sheet, type TimeScale, xOf } from "./sheet.ts";

// What stands in each cell of the air map, once cells that are too fine for the screen are taken together?

/** From this share of CRC-failed packets a cell is crossed. Common practice, no source. */
export const MANY_BROKEN = 0.3;

interface AirCell {
  /** Share of the time in use, 0 to 1. */
  readonly inUse: number;
  /** Strangers' part of the airtime whose owner is known; null when none is known. */
  readonly strangers: number | null;
  readonly isBroken: boolean;
}

export interface CellGrid {
  /** One array a frequency. */
  readonly rows: readonly (readonly AirCell[])[];
  /** Cells of the map in each cell of the grid. */
  readonly together: number;
}

/** Largest share in use, for caption and scale. A last cell that is less than half full is left out: one frame fills it. */
export function busiestCell({ utilisation, cellSeconds, lastCellSeconds }: AirMap): number {
  let most = 0;
  for (const row of utilisation) {
    const shown = 2 * lastCellSeconds < cellSeconds ? row.slice(0, -1) : row;
    for (const share of shown) most = Math.max(most, share);
  }
  return most;
}

/** The grid for at most so many columns: neighbours taken together, each weighing by how long it lasted. */
export function gridOf(map: AirMap, mostColumns: number): CellGrid {
  const columns = Math.max(1, ...map.utilisation.map((row) => row.length));
  const together = Math.max(1, Math.ceil(columns / Math.max(1, mostColumns)));
  const weight = (at: number) => (at === columns - 1 ? map.lastCellSeconds : map.cellSeconds);
  const rows = map.frequenciesHz.map((_, row) =>
    Array.from({ length: Math.ceil(columns / together) }, (_, cell) => {
      let [seconds, busy, own, foreign, broken] = [0, 0, 0, 0, 0];
      for (let at = cell * together; at < Math.min(columns, (cell + 1) * together); at += 1) {
        seconds += weight(at);
        busy += (map.utilisation[row]?.[at] ?? 0) * weight(at);
        own += (map.ownLoad[row]?.[at] ?? 0) * weight(at);
        foreign += (map.strangerLoad[row]?.[at] ?? 0) * weight(at);
        broken = Math.max(broken, map.crcBadRatio[row]?.[at] ?? 0);
      }
      return {
        inUse: seconds === 0 ? 0 : busy / seconds,
        strangers: own + foreign === 0 ? null : foreign / (own + foreign),
        isBroken: broken >= MANY_BROKEN,
      };
    }),
  );
  return { rows, together };
}

/** The levels between which the noise lanes of a map run, in whole steps of 5 dB and 10 dB apart at least; null without noise. */
export function noiseRange({ noise }: AirMap): { low: number; high: number } | null {
  const levels = noise.dbm.flat().filter((dbm) => dbm !== null);
  if (levels.length === 0) return null;
  const low = Math.floor(Math.min(...levels) / 5) * 5;
  return { low, high: Math.max(low + 10, Math.ceil(Math.max(...levels) / 5) * 5) };
}

// Which shade stands for a share? Cividis (Nuñez, Anderton, Renslow 2018, "Optimizing colormaps with
// consideration for color vision deficiency"): perceptually uniform, the same to colour-blind eyes.

// Polynomial fit of the published map in eight-bit channels, highest power last; from memory, ends checked by a test.
const RED = [-4.54, -35.34, 2381.73, -6402.7, 7024.72, -2710.57];
const GREEN = [32.49, 170.73, 52.82, -131.46, 176.58, -67.37];
const BLUE = [81.24, 442.36, -2482.43, 6167.24, -6614.94, 2475.67];

/** Red, green and blue, 0…255, of a share 0…1. */
export function cividis(share: number): [number, number, number] {
  const t = Math.min(1, Math.max(0, share));
  return [RED, GREEN, BLUE].map((fit) => {
    const value = fit.reduceRight((sum, factor) => sum * t + factor, 0);
    return Math.min(255, Math.max(0, Math.round(value)));
  }) as [number, number, number];
}

/**
 * The shade of a share on a ground: turned, so that what is quiet is nearest to the ground, lightest on paper and darkest
 * at night. The outermost ends are left out: the quietest cell still stands off the ground.
 */
export function shade(share: number, isDark: boolean): [number, number, number] {
  const within = 0.06 + 0.94 * Math.min(1, Math.max(0, share));
  return cividis(isDark ? within : 1 - within);
}

/** Fills a box with the shade of a share; what is quiet lets the ground through. */
export function fillShade(ctx: Pen, { x, y, wide, high }: Box, share: number, isDark: boolean) {
  const [red, green, blue] = shade(share, isDark);
  ctx.fillStyle = `rgb(${red} ${green} ${blue})`;
  ctx.globalAlpha = 0.45 + 0.55 * Math.min(1, share);
  ctx.fillRect(x, y, wide, high);
  ctx.globalAlpha = 1;
}

/** The round number, 1 % to 100 %, up to which a scale must reach to hold `largest`. */
export function scaleTop(largest: number): number {
  return [0.01, 0.02, 0.05, 0.1, 0.2, 0.5].find((top) => largest <= top) ?? 1;
}

const ROW_PX = 20;
const LANE_PX = 22;
const GAP_PX = 4;
const LABEL_PX = 92;
/** Below this width of a cell its neighbours join it. */
const MIN_CELL_PX = 4;
const HATCH_PX = 6;

interface Box {
  readonly x: number;
  readonly y: number;
  readonly wide: number;
  readonly high: number;
}

function drawCell(ctx: Pen, box: Box, cell: AirCell, top: number, isDark: boolean): void {
  const share = cell.inUse / top;
  fillShade(ctx, box, share, isDark);
  // Dark on what is light, light on what is dark.
  ctx.strokeStyle = share > 0.5 === isDark ? "#11151a" : "#ffffff";
  if (cell.strangers !== null && cell.strangers > 0) hatch(ctx, box, cell.strangers);
  if (cell.isBroken) cross(ctx, box);
}

/** Slanted lines from the foot of the cell up to the strangers' share of it; they run on from cell to cell. */
function hatch(ctx: Pen, { x, y, wide, high }: Box, share: number): void {
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

function cross(ctx: Pen, { x, y, wide }: Box): void {
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
  const yOf = (dbm: number) => top + LANE_PX - 5 - ((dbm - low) / (high - low)) * (LANE_PX - 7);
  ctx.fillStyle = inks.line;
  for (const level of [low, high])
    ctx.fillRect(scale.left, Math.round(yOf(level)), scale.right - scale.left, 1);
  // The scale in figures once, in the first lane; the others are alike.
  if (row === 0) {
    ctx.fillStyle = inks.quiet;
    ctx.textAlign = "right";
    ctx.textBaseline = "middle";
    ctx.fillText(figure(high), scale.left - 4, yOf(high) + 1);
    ctx.fillText(withUnit(low, 0, "dBm"), scale.left - 4, yOf(low) + 1);
    ctx.textAlign = "left";
  }
  ctx.strokeStyle = inks.ink;
  ctx.lineWidth = 1.5;
  ctx.beginPath();
  let isDown = false;
  noise.dbm[row]?.forEach((dbm, index) => {
    if (dbm === null) {
      isDown = false;
      return;
    }
    const y = yOf(dbm);
    if (isDown) ctx.lineTo(at(index), y);
    else ctx.moveTo(at(index), y);
    ctx.lineTo(at(index + 1), y);
    isDown = true;
  });
  ctx.stroke();
}

/** Height of the whole drawing, CSS pixels. */
export function airMapHeight(map: AirMap): number {
  return tallOf(map) + 24;
}

function pitchOf(map: AirMap): number {
  return ROW_PX + GAP_PX + (noiseRange(map) === null ? 0 : LANE_PX);
}

function tallOf(map: AirMap): number {
  return map.frequenciesHz.length * pitchOf(map);
}

/** Draws the map of one gateway. */
export function drawAirMap(sheet: Sheet, map: AirMap): void {
  const top = scaleTop(busiestCell(map));
  const range = noiseRange(map);
  const pitch = pitchOf(map);
  const columns = Math.max(1, ...map.utilisation.map((row) => row.length));
  const fromMs = Date.parse(map.from);
  const tall = tallOf(map);
  const { ctx, width, inks, isDark } = sheet;
  const scale: TimeScale = {
    fromMs,
    toMs: fromMs + columns * map.cellSeconds * 1000,
    left: LABEL_PX,
    right: width,
  };
  const { rows, together } = gridOf(map, Math.floor((width - LABEL_PX) / MIN_CELL_PX));
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
      drawCell(ctx, box, cell, top, isDark);
    });
    ctx.fillStyle = inks.line;
    ctx.fillRect(scale.left, y + ROW_PX, scale.right - scale.left, 1);
    if (range !== null) drawNoise(sheet, scale, map, row, y + ROW_PX + 2, range);
  });
  for (const { from, to } of map.notRecorded)
    drawNotRecorded(sheet, scale, { fromMs: Date.parse(from), toMs: Date.parse(to) }, tall);
  drawTimeAxis(sheet, scale, tall + 2);
}
