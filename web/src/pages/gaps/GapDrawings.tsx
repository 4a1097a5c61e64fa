/** What do gaps look like? All of them, one line a node, its gaps as bars; what many share runs through as a column. One, over its evidence. */
import type { Cause, DropoutRow, GapPage, GapsView } from "../../../../src/contract/gaps.ts";
import type { MarkRow } from "../../../../src/contract/user-data.ts";
import { drawScore, gutterPx, scoreHeight, scoreScale } from "../../../../src/drawings/draw-evidence.ts";
import { evidenceCaption, lanesOf, type ScoreCell, scoreCells } from "../../../../src/drawings/evidence.ts";
import {
  drawMarkRules,
  drawTimeAxis,
  shortened,
  type TimeScale,
  xOf,
} from "../../../../src/drawings/sheet.ts";
import { confidenceWords } from "../../../../src/words/causes.ts";
import { counted, dbm, figure, percent } from "../../../../src/words/format.ts";
import { Canvas, type Sheet } from "../../drawings/Canvas.tsx";
import { exactTime, gatewayName, gatewayTitle, momentTime, windowWords } from "../../format.ts";
import { type Column, column, DataTable, RIGHT, textColumn } from "../../parts/DataTable.tsx";
import { Explained } from "../../parts/Explain.tsx";
import { Figure } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";
import { setParams } from "../../state/route.ts";
import { markRules, pointAt } from "../../state/view-data.ts";
import { causeWords, costWords, type GapItem, lengthWords, nodeTitle } from "./FindingText.tsx";

const ROW_PX = 24;
const AXIS_PX = 24;
/** Room above the rows for the texts of marks. */
const HEAD_PX = 18;
/** Lines of nodes; the list beneath has them all. */
const MAX_NODES = 12;

/** Causes that lie with a gateway which could hear nobody. */
const OF_GATEWAYS: ReadonlySet<Cause> = new Set<Cause>(["gateway-unreachable", "gateway-restarted"]);

interface NodeLine {
  readonly title: string;
  readonly gaps: readonly DropoutRow[];
}

/** The gaps of the lines that are shown, by node; those that missed most first. */
function nodeLines(items: readonly GapItem[]): NodeLine[] {
  const byNode = new Map<string, DropoutRow[]>();
  for (const item of items)
    for (const gap of item.kind === "gap" ? [item.row] : item.gaps) {
      const known = byNode.get(gap.devAddr);
      if (known === undefined) byNode.set(gap.devAddr, [gap]);
      else known.push(gap);
    }
  const cost = (gaps: readonly DropoutRow[]) =>
    gaps.reduce((sum, gap) => sum + Math.max(gap.missedCounters, gap.expectedByRhythm ?? 0), 0);
  return [...byNode.values()]
    .sort((a, b) => cost(b) - cost(a))
    .map((gaps) => ({ title: gaps[0] === undefined ? "" : nodeTitle(gaps[0]), gaps }));
}

/** The main drawing of the view. */
export function GapMap({
  gaps: view,
  items,
  marks,
}: {
  gaps: GapsView;
  items: readonly GapItem[];
  marks: readonly MarkRow[];
}) {
  const lines = nodeLines(items);
  const shown = lines.slice(0, MAX_NODES);
  const fromMs = Date.parse(view.window.from);
  const toMs = Date.parse(view.window.to);
  const head = marks.length === 0 ? 0 : HEAD_PX;
  const bottom = head + shown.length * ROW_PX;
  const scaleOf = (width: number): TimeScale => ({ fromMs, toMs, left: gutterPx(width), right: width - 8 });
  const draw = (sheet: Sheet) => {
    const { ctx, inks, width } = sheet;
    const scale = scaleOf(width);
    for (const item of items)
      if (item.kind === "episode") {
        ctx.fillStyle = inks.quiet;
        ctx.globalAlpha = 0.16;
        const [x, wide] = extent(scale, Date.parse(item.row.from), Date.parse(item.row.to));
        ctx.fillRect(x, head, wide, bottom - head);
        ctx.globalAlpha = 1;
      }
    shown.forEach(({ title, gaps }, index) => {
      const y = head + index * ROW_PX;
      ctx.fillStyle = inks.line;
      ctx.fillRect(0, y, width, 1);
      ctx.fillStyle = inks.ink;
      ctx.textBaseline = "middle";
      ctx.fillText(shortened(ctx, title, scale.left - 12), 0, y + ROW_PX / 2 + 1);
      for (const gap of gaps) drawGap(sheet, scale, gap, y);
    });
    const within = (ms: number) => (ms < fromMs || ms > toMs ? null : xOf(scale, ms));
    drawMarkRules({ ctx, inks, top: 1, bottom, right: width, ratio: 1, xOf: within }, markRules(marks));
    drawTimeAxis(sheet, scale, bottom);
  };
  const onClick = (event: MouseEvent) => {
    if (!(event.currentTarget instanceof Element)) return;
    const box = event.currentTarget.getBoundingClientRect();
    const line = shown[Math.floor((event.clientY - box.top - head) / ROW_PX)];
    const scale = scaleOf(box.width);
    const x = event.clientX - box.left;
    const hit = line?.gaps.find((gap) => {
      const [left, wide] = extent(scale, Date.parse(gap.from), Date.parse(gap.to));
      return x >= left - 4 && x <= left + wide + 4;
    });
    if (hit !== undefined) setParams({ gap: hit.id });
  };
  const missed = lines.flatMap(({ gaps }) => gaps).reduce((sum, gap) => sum + gap.missedCounters, 0);
  const rest = lines.length - shown.length;
  const caption =
    lines.length === 0
      ? "No gap fits the filter"
      : `Gaps: ${counted(missed, "counter")} of ${counted(lines.length, "node")} missed${rest === 0 ? "" : `; the ${figure(shown.length)} that missed most are drawn`}`;
  return (
    <Figure
      wide
      caption={caption}
      legend={
        <>
          <span>
            bar: a <Explained text="gap" />; half as high: a steady loss
          </span>
          <span>
            hollow bar: its gateway was <Explained text="unreachable" /> or restarted
          </span>
          <span>arrow: still open</span>
          <span>grey column: shared by many nodes</span>
          {marks.length === 0 ? null : <span>dashed rule: a mark</span>}
        </>
      }
      drawing={
        lines.length === 0 ? null : (
          // biome-ignore lint/a11y/useKeyWithClickEvents: the list beneath opens the same gaps by keyboard
          // biome-ignore lint/a11y/noStaticElementInteractions: as above
          <div class="gap-map" onClick={onClick}>
            <Canvas height={bottom + AXIS_PX} draw={draw} label={caption} />
          </div>
        )
      }
      table={() => (
        <DataTable<DropoutRow>
          label="Gaps by node"
          rows={lines.flatMap(({ gaps }) => gaps).slice(0, 500)}
          rowKey={(gap) => gap.id}
          columns={[
            textColumn("Node", nodeTitle),
            column("From", { sort: (gap) => gap.from }, (gap) => momentTime(Date.parse(gap.from), now.value)),
            column("Length", RIGHT, lengthWords),
            column("Missed", { right: true, sort: (gap) => gap.missedCounters }, costWords),
            column("Cause", { sort: (gap) => gap.finding.cause }, (gap) => causeWords(gap.finding.cause)),
            column("How sure", (gap) => confidenceWords(gap.finding)),
          ]}
        />
      )}
    />
  );
}

function extent(scale: TimeScale, fromMs: number, toMs: number): [number, number] {
  const left = Math.max(scale.left, xOf(scale, fromMs));
  return [left, Math.max(3, Math.min(scale.right, xOf(scale, toMs)) - left)];
}

function drawGap({ ctx, inks }: Sheet, scale: TimeScale, gap: DropoutRow, top: number): void {
  const [x, wide] = extent(scale, Date.parse(gap.from), Date.parse(gap.to));
  if (x > scale.right) return;
  const steady = gap.kind === "steady";
  const [y, high] = steady ? [top + 12, 6] : [top + 6, 12];
  if (OF_GATEWAYS.has(gap.finding.cause)) {
    // No gateway could have heard it: the bar is hollow, as a notch of such a counter is.
    ctx.fillStyle = inks.sheet;
    ctx.fillRect(x, y, wide, high);
    ctx.strokeStyle = inks.ink;
    ctx.lineWidth = 1.5;
    ctx.strokeRect(x + 0.75, y + 0.75, Math.max(1.5, wide - 1.5), high - 1.5);
  } else {
    ctx.fillStyle = inks.ink;
    ctx.fillRect(x, y, wide, high);
  }
  if (!gap.open) return;
  ctx.fillStyle = inks.accent;
  ctx.beginPath();
  ctx.moveTo(x + wide, top + 4);
  ctx.lineTo(x + wide + 7, top + 12);
  ctx.lineTo(x + wide, top + 20);
  ctx.fill();
}

// What went on meanwhile? All evidence of a gap over one time axis, as a drawing or as a table.

/** The figure of one gap. */
export function EvidenceScore({ page }: { page: GapPage }) {
  const lanes = lanesOf(page, gatewayName);
  const caption = evidenceCaption(lanes);
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

function ScoreTable({ page }: { page: GapPage }) {
  const perGateway = page.heartbeat.flatMap((beat, index): Column<ScoreCell>[] => {
    const head = (what: string) => `${gatewayTitle(beat)}: ${what}`;
    const of = (cell: ScoreCell) => cell.gateways[index];
    const countOf = (cell: ScoreCell, what: "keepalives" | "receptions" | "crcBad") =>
      of(cell)?.notRecorded === true ? "not recorded" : figure(of(cell)?.[what]);
    return [
      column(head("keepalives"), { key: `keep ${index}`, term: "keepalive", right: true }, (cell) =>
        countOf(cell, "keepalives"),
      ),
      column(head("receptions"), { key: `rx ${index}`, term: "reception", right: true }, (cell) =>
        countOf(cell, "receptions"),
      ),
      column(head("CRC failed"), { key: `bad ${index}`, term: "crcFailed", right: true }, (cell) =>
        countOf(cell, "crcBad"),
      ),
      column(head("noise"), { key: `noise ${index}`, term: "noise", right: true }, (cell) =>
        dbm(of(cell)?.noiseDbm),
      ),
      column(head("load"), { key: `load ${index}`, term: "load", right: true }, (cell) =>
        percent(of(cell)?.load),
      ),
    ];
  });
  return (
    <DataTable<ScoreCell>
      dense
      label="Evidence over time, oldest first"
      rows={scoreCells(page)}
      rowKey={(cell) => String(cell.fromMs)}
      columns={[
        column("From", (cell) => exactTime(cell.fromMs)),
        column("In the gap", (cell) => (cell.inGap ? "yes" : "no")),
        column("Heard", RIGHT, (cell) => figure(cell.heard)),
        column("Missed", RIGHT, (cell) => figure(cell.missed)),
        column("Neighbours heard", RIGHT, (cell) => figure(cell.neighboursHeard)),
        ...perGateway,
      ]}
    />
  );
}
