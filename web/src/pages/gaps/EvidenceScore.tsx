/** What went on meanwhile? All evidence of a gap over one time axis, as a drawing or as a table. */
import type { GapPage } from "../../../../src/contract/gaps.ts";
import { drawScore, scoreHeight, scoreScale } from "../../../../src/drawings/draw-evidence.ts";
import { evidenceCaption, lanesOf, type ScoreCell, scoreCells } from "../../../../src/drawings/evidence.ts";
import { dbm, figure, percent } from "../../../../src/words/format.ts";
import { Canvas, type Sheet } from "../../drawings/Canvas.tsx";
import { exactTime, gatewayName, gatewayTitle, windowWords } from "../../format.ts";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { Explained } from "../../parts/Explain.tsx";
import { Figure } from "../../parts/page.tsx";
import { pointAt } from "../../state/view-data.ts";

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
