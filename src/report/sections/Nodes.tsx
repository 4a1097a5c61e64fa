/** What became of each node's frames, and how strong were they? */
import type { NodeRow, NodesView } from "../../contract/nodes.ts";
import { percent, span } from "../../diagnosis/standing.ts";
import { type Clock, count, quantity } from "../format.ts";
import { Mono, Sentence, State, Table } from "../parts.tsx";
import { IntervalPlot } from "../plots/IntervalPlot.tsx";

const MOST_STRANGERS = 20;

export function Nodes({ view, clock }: { readonly view: NodesView; readonly clock: Clock }) {
  const own = view.nodes.filter(({ stranger }) => !stranger);
  const strangers = view.nodes.filter(({ stranger }) => stranger);
  return (
    <section class="page">
      <h2>Nodes</h2>
      <Sentence parts={view.sentence} />
      <Delivery nodes={own} />
      {own.length === 0 ? null : (
        <NodeTable nodes={own} within={view.window} clock={clock} caption="Own nodes" />
      )}
      {strangers.length === 0 ? null : (
        <NodeTable
          nodes={strangers.slice(0, MOST_STRANGERS)}
          within={view.window}
          clock={clock}
          caption={`Strangers${strangers.length > MOST_STRANGERS ? `: ${MOST_STRANGERS} of ${count(strangers.length)}` : ""}`}
        />
      )}
    </section>
  );
}

function Delivery({ nodes }: { readonly nodes: readonly NodeRow[] }) {
  const rows = nodes.flatMap((node) => {
    const { deliveryRatio: estimate, deliveryInterval95: interval } = node;
    if (estimate === null || interval === null) return [];
    const [low, high] = interval;
    return [
      {
        label: title(node),
        estimate,
        low,
        high,
        words: `${percent(estimate)} (${percent(low)} to ${percent(high)})`,
      },
    ];
  });
  if (rows.length === 0) return null;
  const least = Math.min(...rows.map(({ low }) => low));
  const from = [0.9, 0.8, 0.5].find((end) => least >= end) ?? 0;
  const ticks = [0, 0.5, 1].map((share) => from + share * (1 - from));
  return (
    <IntervalPlot
      rows={rows}
      from={from}
      to={1}
      ticks={ticks.map((at) => ({ at, label: percent(at) }))}
      caption="Delivery of each node’s counters to the site, with the 95 % Wilson interval. Counters missed while no gateway was in reach count as missed here."
    />
  );
}

interface NodeTableProps {
  readonly nodes: readonly NodeRow[];
  readonly clock: Clock;
  readonly caption: string;
  readonly within: NodesView["window"];
}

function NodeTable({ nodes, clock, caption, within }: NodeTableProps) {
  return (
    <Table
      caption={caption}
      rows={nodes}
      columns={[
        {
          title: "Node",
          kind: "words",
          of: (node) => (
            <>
              {node.name === null ? null : <>{node.name} </>}
              <Mono text={`${node.devAddr}/${node.life}`} />
            </>
          ),
        },
        { title: "Heard", kind: "number", of: (node) => count(node.heard) },
        { title: "Missed", kind: "number", of: (node) => count(node.missed) },
        { title: "In outages", kind: "number", of: (node) => count(node.missedDuringOutage) },
        { title: "SNR", kind: "number", of: (node) => quantity(node.snrDb.median, "dB") },
        { title: "Margin", kind: "number", of: (node) => quantity(node.marginDb.median, "dB") },
        {
          title: "Rhythm",
          kind: "number",
          of: (node) => (node.rhythmSeconds === null ? "–" : span(node.rhythmSeconds)),
        },
        {
          title: "Last heard",
          of: (node) => <span class="nobreak">{clock.near(node.lastHeard, within.from, within.to)}</span>,
        },
        {
          title: "How it stands",
          kind: "words",
          of: (node) => (
            <>
              <State state={node.standing} />: {node.clause}
            </>
          ),
        },
      ]}
    />
  );
}

function title(node: NodeRow): string {
  return node.name ?? `${node.devAddr}/${node.life}`;
}
