/** How is the evidence of a gap drawn? Lanes on one time axis, one function a lane, the gap as a column through all. */
import type { GapPage } from "../contract/gaps.ts";
import { cellAt, channelsOf, drawnNeighbours, type Lane, NEIGHBOUR_PX, TITLE_PX } from "./evidence.ts";
import {
  drawMarkRules,
  drawNotRecorded,
  drawTimeAxis,
  type Sheet,
  seriesInk,
  shortened,
  type TimeScale,
  xOf,
} from "./sheet.ts";

interface LaneGround {
  readonly sheet: Sheet;
  readonly scale: TimeScale;
  readonly page: GapPage;
  /** CSS pixels of the lane's band. */
  readonly top: number;
  readonly height: number;
}

const DRAW: Readonly<Record<Lane["lane"], (ground: LaneGround, index: number) => void>> = {
  counters: drawCounters,
  neighbours: drawNeighbours,
  heartbeat: drawHeartbeat,
  noise: (ground) => drawSteps(ground, ground.page.noiseDbm),
  load: (ground) => drawSteps(ground, ground.page.load, 0),
  margin: drawMargin,
  channels: drawChannels,
  transmissions: drawTransmissions,
  joins: (ground) => {
    const { page, top, height } = ground;
    const atMs = page.joins.map((join) => join.atMs);
    drawTicks(ground, atMs, top + 8, height - 16);
  },
  // Their rules run through all lanes.
  marks: () => undefined,
};

/** Draws one lane into its band. */
function drawLane(ground: LaneGround, lane: Lane): void {
  DRAW[lane.lane](ground, lane.index);
}

function drawTicks({ sheet, scale }: LaneGround, atMs: readonly number[], y: number, height: number): void {
  sheet.ctx.fillStyle = sheet.inks.ink;
  for (const ms of atMs) sheet.ctx.fillRect(Math.round(xOf(scale, ms)) - 1, y, 2, height);
}

/** Heard: tall, by some gateways only: half; missed: an open notch beneath the line; repeated: a dot above. */
function drawCounters({ sheet, scale, page, top, height }: LaneGround): void {
  const { ctx, inks } = sheet;
  const line = Math.round(top + height * 0.62);
  const tall = line - top - 12;
  const all = Math.max(1, ...page.counters.map(({ gateways }) => gateways.length));
  ctx.fillStyle = inks.line;
  ctx.fillRect(scale.left, line, scale.right - scale.left, 1);
  const apart = (scale.right - scale.left) / Math.max(1, page.counters.length);
  const wide = apart > 12 ? 4 : apart > 4 ? 2 : 1;
  for (const { atMs, fate, gateways, repeatsAtMs } of page.counters) {
    const x = Math.round(xOf(scale, atMs) - wide / 2);
    if (fate === "missed") {
      ctx.strokeStyle = inks.bad;
      ctx.lineWidth = wide > 2 ? 1.5 : 1;
      ctx.strokeRect(x - 0.5, line + 3, wide + 1, height * 0.22);
    } else {
      const high = gateways.length < all ? tall / 2 : tall;
      ctx.fillStyle = inks.ink;
      ctx.fillRect(x, line - high, wide, high);
    }
    ctx.fillStyle = inks.look;
    for (const ms of repeatsAtMs) {
      ctx.beginPath();
      ctx.arc(xOf(scale, ms), top + 6, 2, 0, 7);
      ctx.fill();
    }
  }
}

function drawNeighbours(ground: LaneGround): void {
  const { sheet, scale, page, top } = ground;
  drawnNeighbours(page).forEach(({ heardAtMs }, index) => {
    const y = Math.round(top + 2 * TITLE_PX - 5 + index * NEIGHBOUR_PX);
    sheet.ctx.fillStyle = sheet.inks.line;
    sheet.ctx.fillRect(scale.left, y + NEIGHBOUR_PX - 3, scale.right - scale.left, 1);
    drawTicks(ground, heardAtMs, y + 2, NEIGHBOUR_PX - 5);
  });
}

/** Receptions as height, keepalives beneath the line, restarts as a rule; nothing at all arrived: an open box; not recorded: hatched. */
function drawHeartbeat({ sheet, scale, page, top, height }: LaneGround, index: number): void {
  const beat = page.heartbeat[index];
  if (beat === undefined) return;
  const { ctx, inks } = sheet;
  const base = Math.round(top + height - 14);
  const tallest = Math.max(1, ...beat.receptions);
  const wide = (scale.right - scale.left) / page.axis.cells;
  ctx.fillStyle = inks.line;
  ctx.fillRect(scale.left, base, scale.right - scale.left, 1);
  beat.receptions.forEach((receptions, cell) => {
    const x = scale.left + cell * wide;
    const bar = Math.max(1, wide - (wide > 4 ? 1 : 0));
    if ((beat.datagrams[cell] ?? 0) + (beat.keepalives[cell] ?? 0) + receptions === 0) {
      ctx.strokeStyle = inks.bad;
      ctx.lineWidth = 1;
      ctx.strokeRect(x + 0.5, base + 3.5, Math.max(1, bar - 1), 5);
      return;
    }
    const high = receptions === 0 ? 0 : Math.max(2, Math.sqrt(receptions / tallest) * (base - top - 4));
    ctx.fillStyle = inks.ink;
    ctx.fillRect(x, base - high, bar, high);
    const broken = receptions === 0 ? 0 : high * Math.min(1, (beat.crcBad[cell] ?? 0) / receptions);
    ctx.fillStyle = inks.quiet;
    if (broken > 0) ctx.fillRect(x, base - high, bar, Math.max(1, broken));
    ctx.fillStyle = inks.accent;
    if ((beat.keepalives[cell] ?? 0) > 0) ctx.fillRect(x, base + 3, bar, 4);
    ctx.fillStyle = inks.quiet;
    if ((beat.statusReports[cell] ?? 0) > 0) ctx.fillRect(x + bar / 2 - 1, base + 9, 2, 2);
  });
  ctx.save();
  ctx.translate(0, top);
  for (const range of beat.notRecorded) drawNotRecorded(sheet, scale, range, height);
  ctx.restore();
  ctx.fillStyle = inks.look;
  for (const ms of beat.restartsAtMs) ctx.fillRect(Math.round(xOf(scale, ms)) - 1, top + 2, 2, base - top);
}

/** Values a cell as steps, one line a gateway; `floor`: the scale begins there, and the area beneath is filled. */
function drawSteps(
  { sheet, scale, page, top, height }: LaneGround,
  rows: GapPage["load"],
  floor?: number,
): void {
  const { ctx, inks } = sheet;
  const known = rows.flatMap(({ values }) => values).filter((value) => value !== null);
  const low = floor ?? Math.min(...known) - 1;
  const high = Math.max(low + (floor === undefined ? 6 : 0.02), ...known);
  const wide = (scale.right - scale.left) / page.axis.cells;
  const yOf = (value: number) => top + height - 6 - ((value - low) / (high - low)) * (height - 12);
  ctx.fillStyle = inks.line;
  ctx.fillRect(scale.left, Math.round(top + height - 5), scale.right - scale.left, 1);
  rows.forEach(({ values }, index) => {
    const { colour } = seriesInk(inks, index);
    ctx.fillStyle = colour;
    values.forEach((value, cell) => {
      if (value === null) return;
      const x = xOf(scale, cellAt(page.axis, cell)) - wide / 2;
      ctx.fillRect(x, yOf(value) - 1, Math.max(1.5, wide), 2);
      if (floor === undefined) return;
      ctx.globalAlpha = 0.2;
      ctx.fillRect(x, yOf(value), Math.max(1, wide), top + height - 6 - yOf(value));
      ctx.globalAlpha = 1;
    });
  });
}

/** Dots over the demodulation floor, which is the rule at 0 dB. */
function drawMargin({ sheet, scale, page, top, height }: LaneGround): void {
  const { ctx, inks } = sheet;
  const known = page.margin.flatMap(({ marginDb }) => marginDb).filter((value) => value !== null);
  const low = Math.min(-2, ...known) - 1;
  const high = Math.max(6, ...known) + 1;
  const yOf = (value: number) => top + 6 + ((high - value) / (high - low)) * (height - 12);
  ctx.fillStyle = inks.ink;
  ctx.fillRect(scale.left, Math.round(yOf(0)), scale.right - scale.left, 1);
  page.margin.forEach(({ atMs, marginDb }, index) => {
    ctx.fillStyle = seriesInk(inks, index).colour;
    ctx.beginPath();
    marginDb.forEach((value, at) => {
      if (value === null) return;
      const [x, y] = [xOf(scale, atMs[at] ?? 0), yOf(value)];
      ctx.moveTo(x + 2, y);
      ctx.arc(x, y, 2, 0, 7);
    });
    ctx.fill();
  });
}

/** One row a channel, a tick where a frame of this node was heard on it. */
function drawChannels(ground: LaneGround): void {
  const { page, top, height, sheet, scale } = ground;
  const channels = channelsOf(page);
  const pitch = (height - 8) / channels.length;
  channels.forEach((frequencyHz, row) => {
    const y = top + height - 4 - (row + 1) * pitch;
    sheet.ctx.fillStyle = sheet.inks.line;
    sheet.ctx.fillRect(scale.left, Math.round(y + pitch - 1), scale.right - scale.left, 1);
    const heard = page.margin.flatMap((one) =>
      one.atMs.filter((_, at) => one.frequencyHz[at] === frequencyHz),
    );
    drawTicks(ground, heard, y + 1, Math.max(2, pitch - 3));
  });
}

function drawTransmissions({ sheet, scale, page, top, height }: LaneGround): void {
  const order = page.heartbeat.map(({ gatewayEui }) => gatewayEui);
  for (const { gatewayEui, fromMs, toMs } of page.transmissions) {
    const x = xOf(scale, fromMs);
    sheet.ctx.fillStyle = seriesInk(sheet.inks, Math.max(0, order.indexOf(gatewayEui))).colour;
    sheet.ctx.fillRect(x, top + 8, Math.max(2, xOf(scale, toMs) - x), height - 16);
  }
}

// How is the evidence score drawn? Lanes one under another, their names at the left, the gap as one column through
// all of them; at the very left a full bar where a lane speaks for the finding, a hollow one where against.

const AXIS_PX = 24;
const BAR_PX = 8;
const EDGE_PX = 8;

/** Where the lanes' names end and time begins. */
export function gutterPx(width: number): number {
  return width < 560 ? 112 : 172;
}

/** Height of the whole drawing, CSS pixels. */
export function scoreHeight(lanes: readonly Lane[]): number {
  return lanes.reduce((sum, lane) => sum + lane.height, 0) + AXIS_PX;
}

/** Time over the width of a score. */
export function scoreScale({ axis }: GapPage, width: number): TimeScale {
  return { fromMs: axis.fromMs, toMs: axis.toMs, left: gutterPx(width), right: width - EDGE_PX };
}

/** Draws the whole score. */
export function drawScore(sheet: Sheet, page: GapPage, lanes: readonly Lane[]): void {
  const { ctx, inks, width } = sheet;
  const scale = scoreScale(page, width);
  const bottom = scoreHeight(lanes) - AXIS_PX;
  drawColumn(sheet, page, scale, bottom);
  let top = 0;
  for (const lane of lanes) {
    ctx.fillStyle = inks.line;
    ctx.fillRect(0, Math.round(top), width, 1);
    drawStance(sheet, lane, top);
    drawNames(sheet, page, lane, top);
    ctx.save();
    ctx.beginPath();
    ctx.rect(scale.left, top + 1, scale.right - scale.left + EDGE_PX, lane.height - 1);
    ctx.clip();
    drawLane({ sheet, scale, page, top: top + 1, height: lane.height - 1 }, lane);
    ctx.restore();
    top += lane.height;
  }
  const within = (ms: number) => (ms < scale.fromMs || ms > scale.toMs ? null : xOf(scale, ms));
  drawMarkRules({ ctx, inks, top: 3, bottom, right: width, ratio: 1, xOf: within }, page.marks);
  drawTimeAxis(sheet, scale, bottom);
}

function drawColumn({ ctx, inks }: Sheet, { axis }: GapPage, scale: TimeScale, bottom: number): void {
  const left = Math.max(scale.left, xOf(scale, axis.gapFromMs));
  const right = Math.min(scale.right, Math.max(xOf(scale, axis.gapToMs), left + 3));
  ctx.fillStyle = inks.accent;
  ctx.globalAlpha = 0.12;
  ctx.fillRect(left, 0, right - left, bottom);
  ctx.globalAlpha = 1;
  for (const x of [left, right]) ctx.fillRect(Math.round(x), 0, 1, bottom);
}

function drawStance({ ctx, inks }: Sheet, { stance, height }: Lane, top: number): void {
  if (stance === null) return;
  if (stance === "for") {
    ctx.fillStyle = inks.ink;
    ctx.fillRect(0, top + 4, BAR_PX - 2, height - 7);
    return;
  }
  ctx.strokeStyle = inks.ink;
  ctx.lineWidth = 1;
  ctx.strokeRect(0.5, Math.round(top) + 4.5, BAR_PX - 3, height - 8);
}

function drawNames({ ctx, inks, width }: Sheet, page: GapPage, lane: Lane, top: number): void {
  const left = BAR_PX + 4;
  const room = gutterPx(width) - left - 8;
  ctx.textBaseline = "middle";
  ctx.textAlign = "left";
  ctx.fillStyle = inks.ink;
  ctx.fillText(shortened(ctx, lane.title, room), left, top + TITLE_PX / 2 + 1);
  ctx.fillStyle = inks.quiet;
  if (lane.note !== "" && lane.height >= 2 * TITLE_PX)
    ctx.fillText(shortened(ctx, lane.note, room), left, top + TITLE_PX * 1.5 - 3);
  if (lane.lane !== "neighbours") return;
  drawnNeighbours(page).forEach(({ name, devAddr }, index) => {
    const y = top + 2 * TITLE_PX - 4 + (index + 0.5) * NEIGHBOUR_PX;
    ctx.fillText(shortened(ctx, name ?? devAddr, room - 8), left + 8, y);
  });
}
