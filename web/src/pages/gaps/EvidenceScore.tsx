/** What went on meanwhile? All evidence of a gap over one time axis, as a drawing or as a table. */
import type { EvidenceLane, GapPage } from "../../../../src/contract/gaps.ts";
import { dbm, figure, percent } from "../../../../src/words/format.ts";
import { drawMarkRules, drawTimeAxis, shortened, type TimeScale, xOf } from "../../drawings/axis.ts";
import { Canvas, type Sheet } from "../../drawings/Canvas.tsx";
import { gatewayTitle } from "../../format/labels.ts";
import { exactTime, windowWords } from "../../format/times.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { Explained } from "../../parts/Explain.tsx";
import { Figure } from "../../parts/page.tsx";
import { pointAt } from "../../state/marks.ts";
import { drawLane } from "./draw-lanes.ts";
import {
  drawnNeighbours,
  type Lane,
  lanesOf,
  NEIGHBOUR_PX,
  type ScoreCell,
  scoreCells,
  TITLE_PX,
} from "./score-lanes.ts";

// How is the evidence score drawn? Lanes one under another, their names at the left, the gap as one column through
// all of them; at the very left a full bar where a lane speaks for the finding, a hollow one where against.

export const AXIS_PX = 24;
const BAR_PX = 8;
const EDGE_PX = 8;

/** Where the lanes' names end and time begins. */
export function gutterPx(width: number): number {
  return width < 560 ? 112 : 172;
}

function scoreHeight(lanes: readonly Lane[]): number {
  return lanes.reduce((sum, lane) => sum + lane.height, 0) + AXIS_PX;
}

/** Time over the width of a score. */
function scoreScale({ axis }: GapPage, width: number): TimeScale {
  return { fromMs: axis.fromMs, toMs: axis.toMs, left: gutterPx(width), right: width - EDGE_PX };
}

/** Draws the whole score. */
function drawScore(sheet: Sheet, page: GapPage, lanes: readonly Lane[]): void {
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

/** The figure of one gap. */
export function EvidenceScore({ page }: { page: GapPage }) {
  const lanes = lanesOf(page);
  const caption = captionOf(lanes);
  const { gapFromMs, gapToMs } = page.axis;
  const label = `${caption}. The gap: ${windowWords(gapFromMs, gapToMs)}`;
  const draw = (sheet: Sheet) => drawScore(sheet, page, lanes);
  const onClick = (event: MouseEvent) => {
    if (!(event.currentTarget instanceof Element)) return;
    const box = event.currentTarget.getBoundingClientRect();
    const scale = scoreScale(page, box.width);
    const share = (event.clientX - box.left - scale.left) / (scale.right - scale.left);
    if (share >= 0 && share <= 1) pointAt(scale.fromMs + share * (scale.toMs - scale.fromMs));
  };
  return (
    <Figure
      wide
      caption={caption}
      legend={
        <>
          {page.heartbeat.map((beat, index) => (
            <span key={beat.gatewayEui} class={`signal-name series-${(index % 4) + 1}`}>
              {gatewayTitle(beat)}
            </span>
          ))}
          <span>
            column: the <Explained text="gap" />
          </span>
          <span>full bar at the left: speaks for the finding; hollow: against</span>
          <span>
            notch: <Explained text="missed" />
          </span>
          {page.heartbeat.some(({ notRecorded }) => notRecorded.length > 0) ? (
            <span>hatched: not recorded</span>
          ) : null}
          <span>
            rule in the margin: the demodulation <Explained text="floor" />
          </span>
          <span>
            figures: <Explained text="heard of due" />
          </span>
        </>
      }
      drawing={
        // biome-ignore lint/a11y/useKeyWithClickEvents: it only fills in the time that the form for marks takes as text
        // biome-ignore lint/a11y/noStaticElementInteractions: as above
        <div class="score" onClick={onClick}>
          <Canvas height={scoreHeight(lanes)} draw={draw} label={label} />
        </div>
      }
      table={() => <ScoreTable page={page} />}
    />
  );
}

const LANE_WORDS: Readonly<Record<EvidenceLane, string>> = {
  counters: "its counters",
  neighbours: "its neighbours",
  heartbeat: "a heartbeat",
  noise: "the noise",
  load: "the load",
  margin: "the margin",
  channels: "the channels",
  transmissions: "what gateways sent",
  joins: "joins",
};

function captionOf(lanes: readonly Lane[]): string {
  const ofStance = (stance: "for" | "against") =>
    lanes
      .filter((lane) => lane.stance === stance && lane.lane !== "marks")
      .map(({ lane, title }) =>
        lane === "heartbeat" ? `the heartbeat of ${title}` : LANE_WORDS[lane as EvidenceLane],
      )
      .join(", ");
  const [speaksFor, speaksAgainst] = [ofStance("for"), ofStance("against")];
  if (speaksFor === "" && speaksAgainst === "") return "Evidence: no lane says anything of a cause";
  const parts = [
    ...(speaksFor === "" ? [] : [`for the finding: ${speaksFor}`]),
    ...(speaksAgainst === "" ? [] : [`against it: ${speaksAgainst}`]),
  ];
  return `Evidence: ${parts.join("; ")}`;
}

function ScoreTable({ page }: { page: GapPage }) {
  const perGateway = page.heartbeat.flatMap((beat, index): Column<ScoreCell>[] => {
    const head = (what: string) => `${gatewayTitle(beat)}: ${what}`;
    const of = (cell: ScoreCell) => cell.gateways[index];
    const countOf = (cell: ScoreCell, what: "keepalives" | "receptions" | "crcBad") =>
      of(cell)?.notRecorded === true ? "not recorded" : figure(of(cell)?.[what]);
    return [
      {
        key: `keep ${index}`,
        head: head("keepalives"),
        term: "keepalive",
        right: true,
        cell: (cell) => countOf(cell, "keepalives"),
      },
      {
        key: `rx ${index}`,
        head: head("receptions"),
        term: "reception",
        right: true,
        cell: (cell) => countOf(cell, "receptions"),
      },
      {
        key: `bad ${index}`,
        head: head("CRC failed"),
        term: "crcFailed",
        right: true,
        cell: (cell) => countOf(cell, "crcBad"),
      },
      {
        key: `noise ${index}`,
        head: head("noise"),
        term: "noise",
        right: true,
        cell: (cell) => dbm(of(cell)?.noiseDbm),
      },
      {
        key: `load ${index}`,
        head: head("load"),
        term: "load",
        right: true,
        cell: (cell) => percent(of(cell)?.load),
      },
    ];
  });
  return (
    <DataTable
      dense
      label="Evidence over time, oldest first"
      rows={scoreCells(page)}
      rowKey={(cell) => String(cell.fromMs)}
      columns={[
        { key: "from", head: "From", cell: (cell) => exactTime(cell.fromMs) },
        { key: "gap", head: "In the gap", cell: (cell) => (cell.inGap ? "yes" : "no") },
        { key: "heard", head: "Heard", right: true, cell: (cell) => figure(cell.heard) },
        { key: "missed", head: "Missed", right: true, cell: (cell) => figure(cell.missed) },
        { key: "near", head: "Neighbours heard", right: true, cell: (cell) => figure(cell.neighboursHeard) },
        ...perGateway,
      ]}
    />
  );
}
