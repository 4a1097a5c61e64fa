/** What became of each node's frames, and how strong were they? */
import type { NodeRow, NodesView } from "../contract/nodes.ts";
import type { MarksView } from "../contract/user-data.ts";
import { figure, percent, withUnit } from "../words/format.ts";
import type { Clock } from "./parts.tsx";
import { Mono, Sentence, State, Table } from "./parts.tsx";

const MAX_STRANGERS = 20;

export function Nodes({ view, clock }: { readonly view: NodesView; readonly clock: Clock }) {
  const own = view.nodes.filter(({ stranger }) => !stranger).sort(worstFirst);
  const strangers = view.nodes.filter(({ stranger }) => stranger);
  return (
    <section>
      <h2>Nodes</h2>
      <Sentence parts={view.sentence} />
      {own.length === 0 ? null : (
        <NodeTable
          nodes={own}
          within={view.window}
          clock={clock}
          caption="Own nodes. Delivery with its 95 % Wilson interval; the bar has it on one scale. Counters missed while no gateway was reachable count as missed."
        />
      )}
      {strangers.length === 0 ? null : (
        <NodeTable
          nodes={strangers.slice(0, MAX_STRANGERS)}
          within={view.window}
          clock={clock}
          caption={`Strangers${strangers.length > MAX_STRANGERS ? `: ${MAX_STRANGERS} of ${figure(strangers.length)}` : ""}`}
        />
      )}
    </section>
  );
}

const RANKS = ["bad", "look", "waiting", "good"];

/** As on the Nodes page: by state, then by delivery. */
function worstFirst(a: NodeRow, b: NodeRow): number {
  const byState = RANKS.indexOf(a.standing) - RANKS.indexOf(b.standing);
  return byState === 0 ? (a.deliveryRatio ?? 1) - (b.deliveryRatio ?? 1) : byState;
}

/** The begin of the scale on which all intervals of a table stand. */
function scaleFrom(nodes: readonly NodeRow[]): number {
  const least = Math.min(1, ...nodes.flatMap(({ deliveryInterval95 }) => deliveryInterval95?.[0] ?? []));
  return [0.9, 0.8, 0.5].find((end) => least >= end) ?? 0;
}

const BAR_PX = 64;

/** The estimate as a dot on its 95 % interval; the figures stand beside it. */
function Bar({ node, from }: { readonly node: NodeRow; readonly from: number }) {
  const { deliveryRatio: ratio, deliveryInterval95: interval } = node;
  if (ratio === null || interval === null) return null;
  const x = (share: number) => 3 + ((share - from) / (1 - from)) * (BAR_PX - 6);
  return (
    <svg class="bar" viewBox={`0 0 ${BAR_PX} 12`} aria-hidden="true">
      <path d={`M3 6h${BAR_PX - 6}`} stroke="#c9c4b8" />
      <path d={`M${x(interval[0])} 6H${x(interval[1])}`} stroke="#1c232e" stroke-width="2" />
      <circle cx={x(ratio)} cy="6" r="3" fill="#1c232e" />
    </svg>
  );
}

function delivered({ deliveryRatio, deliveryInterval95 }: NodeRow): string {
  if (deliveryRatio === null) return "–";
  return deliveryInterval95 === null
    ? percent(deliveryRatio)
    : `${percent(deliveryRatio)} (${figure(100 * deliveryInterval95[0], 1)} to ${figure(100 * deliveryInterval95[1], 1)})`;
}

interface NodeTableProps {
  readonly nodes: readonly NodeRow[];
  readonly clock: Clock;
  readonly caption: string;
  readonly within: NodesView["window"];
}

function NodeTable({ nodes, clock, caption, within }: NodeTableProps) {
  const from = scaleFrom(nodes);
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
        { title: "Delivery", kind: "number", of: delivered },
        { title: `${percent(from, 0)} to ${percent(1)}`, of: (node) => <Bar node={node} from={from} /> },
        { title: "SNR", kind: "number", of: (node) => withUnit(node.snrDb.median, 1, "dB") },
        { title: "Margin", kind: "number", of: (node) => withUnit(node.marginDb.median, 1, "dB") },
        {
          title: "Last heard",
          of: (node) => <span class="nobreak">{clock.near(node.lastHeard, within.from, within.to)}</span>,
        },
        {
          title: "Status",
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

// What did people note in the window?

const MAX_MARKS = 100;

export function Marks({ view, clock }: { readonly view: MarksView; readonly clock: Clock }) {
  // Stops of a walk are shown with the walk.
  const notes = view.marks.filter(({ kind }) => kind === "note");
  if (notes.length === 0) return null;
  const left = notes.length - MAX_MARKS;
  return (
    <section>
      <h2>Marks</h2>
      <Table
        rows={notes.slice(0, MAX_MARKS).reverse()}
        columns={[
          {
            title: "When",
            of: ({ at, until }) => (until === null ? clock.moment(at) : clock.stretch(at, until)),
          },
          {
            title: "About",
            of: (mark) => mark.gatewayName ?? mark.gatewayEui ?? mark.nodeName ?? mark.devAddr ?? "the site",
          },
          { title: "Note", kind: "words", of: ({ text }) => text },
        ]}
      />
      {left > 0 || view.cut ? (
        <p class="quiet">{left > 0 ? `${figure(left)} or more older ones` : "Older ones"} are left out.</p>
      ) : null}
    </section>
  );
}
