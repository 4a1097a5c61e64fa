/** What went on meanwhile? All evidence of a gap over one time axis, as a drawing or as a table. */
import type { EvidenceLane, GapPage } from "../../../../src/contract/gaps.ts";
import { Canvas, type Sheet } from "../../drawings/Canvas.tsx";
import { dbm, figure, gatewayTitle, percent } from "../../format/format.ts";
import { exactTime } from "../../format/times.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";
import { pointAt } from "../../state/pinning.ts";
import { drawScore, scoreHeight, scoreScale } from "./draw-score.ts";
import { type Lane, lanesOf, type ScoreCell, scoreCells } from "./score-lanes.ts";

/** The figure of one gap. */
export function EvidenceScore({ page }: { page: GapPage }) {
  const lanes = lanesOf(page);
  const caption = captionOf(lanes);
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
      caption={caption}
      legend={
        <>
          {page.heartbeat.map((beat, index) => (
            <span key={beat.gatewayEui} class={`signal-name series-${(index % 4) + 1}`}>
              {gatewayTitle(beat)}
            </span>
          ))}
          <span>column: the gap</span>
          <span>full bar at the left: speaks for the finding; hollow: against</span>
          <span>notch: missed</span>
          <span>rule in the margin: demodulation floor</span>
        </>
      }
      drawing={
        // biome-ignore lint/a11y/useKeyWithClickEvents: it only fills in the time that the form for marks takes as text
        // biome-ignore lint/a11y/noStaticElementInteractions: as above
        <div class="score" onClick={onClick}>
          <Canvas height={scoreHeight(lanes)} draw={draw} label={caption} />
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
    return [
      {
        key: `keep ${index}`,
        head: head("keepalives"),
        right: true,
        cell: (cell) => figure(of(cell)?.keepalives),
      },
      {
        key: `rx ${index}`,
        head: head("receptions"),
        right: true,
        cell: (cell) => figure(of(cell)?.receptions),
      },
      {
        key: `bad ${index}`,
        head: head("CRC failed"),
        right: true,
        cell: (cell) => figure(of(cell)?.crcBad),
      },
      { key: `noise ${index}`, head: head("noise"), right: true, cell: (cell) => dbm(of(cell)?.noiseDbm) },
      { key: `load ${index}`, head: head("load"), right: true, cell: (cell) => percent(of(cell)?.load) },
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
