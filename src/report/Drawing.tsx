/** The dashboard's own drawings on paper: the site's score, the evidence of a gap, the air map of a gateway. */
import type { AirMap } from "../contract/air.ts";
import type { GapPage } from "../contract/gaps.ts";
import type { SiteView } from "../contract/site.ts";
import type { MarkRow } from "../contract/user-data.ts";
import { airMapHeight, drawAirMap } from "../drawings/air-map.ts";
import { drawScore, scoreHeight } from "../drawings/draw-evidence.ts";
import { AXIS_PX, drawSite, layoutScore } from "../drawings/draw-site.ts";
import { drawnNeighbours, evidenceCaption, lanesOf } from "../drawings/evidence.ts";
import { type Inks, type Sheet, shortened } from "../drawings/sheet.ts";
import { scoreColumns, scoreRows } from "../drawings/site.ts";
import { type Clock, nameOrEui, STATES } from "./parts.tsx";
import { timeTicks } from "./plots.tsx";
import { SvgPen } from "./svg-pen.ts";

/** Ink on white, dark enough for a printer without colours. */
const INKS: Inks = {
  paper: "#ffffff",
  sheet: "#ffffff",
  ink: "#1c232e",
  mid: "#6d7787",
  quiet: "#57606e",
  line: "#dcd7cc",
  hair: "#a9a596",
  accent: "#0a6a6a",
  look: "#855600",
  bad: "#a3242b",
  sans: "sans-serif",
  series: ["#0072b2", "#d55e00", "#009e73", "#cc79a7"],
};

/** Pixels of the drawings over the width of the page: their letters print as large as those of tables. */
const WIDTH_PX = 880;

interface DrawingProps {
  /** Distinct in the report. */
  readonly id: string;
  readonly height: number;
  readonly caption: string;
  readonly clock: Clock;
  readonly draw: (sheet: Sheet) => void;
}

function Drawing({ id, height, caption, clock, draw }: DrawingProps) {
  const pen = new SvgPen(id);
  draw({
    ctx: pen,
    width: WIDTH_PX,
    height,
    inks: INKS,
    isDark: false,
    marksBetween: (fromMs, toMs) => timeTicks(fromMs, toMs).map((ms) => ({ ms, label: clock.tick(ms) })),
  });
  return (
    <figure>
      <svg viewBox={`0 0 ${WIDTH_PX} ${Math.ceil(height)}`} role="img" aria-label={caption}>
        {pen.elements()}
      </svg>
      <figcaption>{caption}</figcaption>
    </figure>
  );
}

/** Taller than this the site's drawing leaves the first page no room for what else belongs there. */
const MAX_FRONT_PX = 430;

/** Whether the site's drawing has room on the first page. */
export function fitsFront(site: SiteView): boolean {
  return siteLayout(site).layout.bottom + AXIS_PX <= MAX_FRONT_PX;
}

function siteLayout(site: SiteView) {
  const rows = scoreRows(site, nameOrEui);
  const columns = scoreColumns(site, rows);
  const window = { fromMs: Date.parse(site.window.from), toMs: Date.parse(site.window.to) };
  return { rows, columns, layout: layoutScore(rows, columns, window, WIDTH_PX, false) };
}

export interface SiteDrawingProps {
  readonly site: SiteView;
  readonly marks: readonly MarkRow[];
  readonly clock: Clock;
}

/** Gateways, loud channels and the nodes to check on one time axis; nothing where none was heard. */
export function SiteDrawing({ site, marks, clock }: SiteDrawingProps) {
  const { rows, columns, layout } = siteLayout(site);
  if (rows.length === 0) return null;
  return (
    <Drawing
      id="site"
      height={layout.bottom + AXIS_PX}
      clock={clock}
      caption="Bars: receptions on a square-root scale; beneath: keepalives, status reports as dots; torn: unreachable; ▲ restart. Ticks: heard; notches: missed, hollow if not on the air; stems: margin over the floor. Columns: events. Bar at the foot: recorded."
      draw={(sheet) => {
        drawSite(sheet, layout, {
          columns,
          marks: marks.map(({ at, text }) => ({ atMs: Date.parse(at), text })),
          recorded: site.recorded.map(({ from, to }) => ({ fromMs: Date.parse(from), toMs: Date.parse(to) })),
        });
        drawNames(sheet, layout);
      }}
    />
  );
}

const NAME_PX = 15;
/** The scale's figures stand at the right end of the names' room. */
const SCALE_PX = 46;

/** What the screen has as elements that lead on: each row's state and name, and its note in two lines. */
function drawNames({ ctx, inks }: Sheet, { rows, scale }: ReturnType<typeof layoutScore>): void {
  ctx.textAlign = "left";
  ctx.textBaseline = "middle";
  const room = scale.left - SCALE_PX;
  for (const { row, top } of rows) {
    const shape = row.standing === null ? "" : `${STATES[row.standing]?.shape ?? ""} `;
    ctx.fillStyle = inks.ink;
    ctx.fillText(shortened(ctx, `${shape}${row.title}`, room), 0, top + NAME_PX / 2 + 3);
    ctx.fillStyle = inks.quiet;
    inLines(row.note, (text) => ctx.measureText(text).width <= room, 2).forEach((line, index) => {
      ctx.fillText(line, 0, top + NAME_PX * (index + 1.5) + 3);
    });
  }
}

/** Words in as many lines as there are, the last one cut with an ellipsis. */
function inLines(text: string, fits: (line: string) => boolean, most: number): string[] {
  const lines: string[] = [];
  let line = "";
  for (const word of text.split(" ")) {
    const longer = line === "" ? word : `${line} ${word}`;
    if (line === "" || fits(longer)) {
      line = longer;
      continue;
    }
    if (lines.length === most - 1) return [...lines, `${line} …`];
    lines.push(line);
    line = word;
  }
  return [...lines, line];
}

/** Neighbours drawn: those of whom most was due; the counts are of all. */
const MAX_NEIGHBOURS = 5;

/** The lanes of one gap that a sentence rests on, and the node's own; `index` tells it from the others of the report. */
export function EvidenceDrawing({
  page,
  index,
  clock,
}: {
  readonly page: GapPage;
  readonly index: number;
  readonly clock: Clock;
}) {
  const cut = { ...page, neighbours: drawnNeighbours(page).slice(0, MAX_NEIGHBOURS) };
  const lanes = lanesOf(cut, nameOrEui)
    .filter(({ lane, stance }) => stance !== null || lane === "counters" || lane === "marks")
    .map((lane) => (lane.lane === "counters" ? { ...lane, title: page.gap.name ?? page.gap.devAddr } : lane));
  return (
    <Drawing
      id={`evidence${index}`}
      height={scoreHeight(lanes)}
      clock={clock}
      caption={`${evidenceCaption(lanes)}. Column: the gap. Full bar at the left: for the finding; hollow: against.`}
      draw={(sheet) => drawScore(sheet, cut, lanes)}
    />
  );
}

/** Channels over time, of the gateway that is shown first. */
export function AirDrawing({ map, clock }: { readonly map: AirMap; readonly clock: Clock }) {
  return (
    <Drawing
      id="air"
      height={airMapHeight(map)}
      clock={clock}
      caption="Shade: share of the time in use; hatched: the strangers’ part; cross: 30 % or more arrived broken; line beneath: noise floor."
      draw={(sheet) => drawAirMap(sheet, map)}
    />
  );
}
