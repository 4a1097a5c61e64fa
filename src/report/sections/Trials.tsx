/** Which placement heard better, by how much, and how sure is that? */
import type { Interval, PlacementRow, TrialAnswer, TrialsView } from "../../contract/trials.ts";
import { percent } from "../../diagnosis/standing.ts";
import { type Clock, count, difference, quantity } from "../format.ts";
import { Sentence, Table } from "../parts.tsx";
import { IntervalPlot, type IntervalRow } from "../plots/IntervalPlot.tsx";

export interface TrialsProps {
  readonly view: TrialsView;
  /** The trials told in full. */
  readonly answers: readonly TrialAnswer[];
  readonly clock: Clock;
}

export function Trials({ view, answers, clock }: TrialsProps) {
  if (view.placements.length === 0 && answers.length === 0) return null;
  return (
    <section class="page">
      <h2>Trials</h2>
      {answers.length === 0 ? <Sentence parts={view.sentence} /> : null}
      {view.placements.length === 0 ? null : <Placements rows={view.placements} clock={clock} />}
      {answers.map((answer) => (
        <Trial key={`${answer.a.key}~${answer.b.key}`} answer={answer} />
      ))}
    </section>
  );
}

function Placements({ rows, clock }: { readonly rows: readonly PlacementRow[]; readonly clock: Clock }) {
  return (
    <Table
      caption="Placements, as told by people"
      rows={rows}
      columns={[
        { title: "Placement", of: ({ name }) => name },
        {
          title: "Gateway",
          of: (row) =>
            `${row.gatewayName ?? row.gatewayEui}${row.antenna === null ? "" : `, antenna ${row.antenna}`}`,
        },
        { title: "From", of: ({ from }) => clock.moment(from) },
        { title: "To", of: ({ to }) => (to === null ? "still" : clock.moment(to)) },
        { title: "Height", kind: "number", of: ({ heightM }) => quantity(heightM, "m") },
        { title: "Gain", kind: "number", of: ({ antennaGainDbi }) => quantity(antennaGainDbi, "dBi") },
        { title: "Cable loss", kind: "number", of: ({ cableLossDb }) => quantity(cableLossDb, "dB") },
        {
          title: "Note",
          kind: "words",
          of: ({ direction, note }) => [direction, note].filter((part) => part !== null).join("; "),
        },
      ]}
    />
  );
}

function Trial({ answer }: { readonly answer: TrialAnswer }) {
  const { a, b, pairs } = answer.delivery;
  return (
    <div>
      <h3>
        {answer.a.name} against {answer.b.name}, {answer.paired ? "paired" : "one after the other"}
      </h3>
      <Sentence parts={answer.sentence} />
      {answer.placeWords === null ? null : <p>{answer.placeWords}</p>}
      <Forest answer={answer} />
      <Table
        caption="Frames"
        rows={[
          { name: answer.a.name, side: a },
          { name: answer.b.name, side: b },
        ]}
        columns={[
          { title: "Placement", of: ({ name }) => name },
          { title: "Expected", kind: "number", of: ({ side }) => count(side.expected) },
          { title: "Heard", kind: "number", of: ({ side }) => count(side.heard) },
          {
            title: "Delivery",
            kind: "number",
            of: ({ side }) => (side.deliveryRatio === null ? "–" : percent(side.deliveryRatio)),
          },
          {
            title: "Median SNR of what it heard",
            kind: "number",
            of: ({ side }) => quantity(side.medianSnrDb, "dB"),
          },
        ]}
      />
      {pairs === null ? null : (
        <p>
          Heard by both {count(pairs.both)}, by {answer.a.name} alone {count(pairs.onlyA)}, by {answer.b.name}{" "}
          alone {count(pairs.onlyB)}, by neither {count(pairs.neither)}.
        </p>
      )}
      {answer.enough ? null : <p>{answer.neededWords}</p>}
      <ul>
        {[...answer.reservations, ...answer.method].map((line) => (
          <li key={line}>{line}</li>
        ))}
      </ul>
      <p class="caution">{answer.caution}</p>
    </div>
  );
}

const MOST_ROWS = 30;

function Forest({ answer }: { readonly answer: TrialAnswer }) {
  const rows = [
    ...answer.nodes
      .slice(0, MOST_ROWS)
      .flatMap((node) => row(node.name ?? node.devAddr, node.snrDifferenceDb)),
    ...row("All nodes", answer.snrDifferenceDb, true),
  ];
  if (rows.length === 0) return null;
  const reach = Math.max(2, ...rows.flatMap(({ low, high }) => [Math.abs(low), Math.abs(high)]));
  const top = [2, 5, 10, 15, 20, 30].find((end) => reach <= end) ?? 40;
  return (
    <IntervalPlot
      rows={rows}
      from={-top}
      to={top}
      rule={0}
      ticks={[-top, -top / 2, 0, top / 2, top].map((at) => ({
        at,
        label: difference(at, "dB", top === 5 || top === 15 ? 1 : 0),
      }))}
      ends={[`${answer.b.name} hears better`, `${answer.a.name} hears better`]}
      caption={`Difference of SNR, ${answer.a.name} minus ${answer.b.name}, with its 95 % interval, by node and over all.`}
    />
  );
}

function row(label: string, interval: Interval, pooled = false): IntervalRow[] {
  const { estimate, low, high } = interval;
  if (estimate === null || low === null || high === null) return [];
  const words = `${difference(estimate, "dB")} (${difference(low, "dB")} to ${difference(high, "dB")})`;
  return [{ label, estimate, low, high, words, pooled }];
}
