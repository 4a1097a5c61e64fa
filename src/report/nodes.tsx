/** What became of each node's frames, and how strong were they? */

import type { ComponentChildren } from "preact";
import type { DropoutRow, EpisodeRow, Finding, GapsView } from "../contract/gaps.ts";
import type { NodeRow, NodesView } from "../contract/nodes.ts";
import type { MarksView } from "../contract/user-data.ts";

import { CAUSE_LABELS, confidenceText, confidenceWords, episodeTitle } from "../words/causes.ts";
import { duration, figure, percent, withUnit } from "../words/format.ts";
import { IntervalPlot } from "./IntervalPlot.tsx";
import type { Clock } from "./parts.tsx";
import { Mono, Sentence, State, Table } from "./parts.tsx";

const MAX_STRANGERS = 20;

export function Nodes({ view, clock }: { readonly view: NodesView; readonly clock: Clock }) {
  const own = view.nodes.filter(({ stranger }) => !stranger);
  const strangers = view.nodes.filter(({ stranger }) => stranger);
  return (
    <section>
      <h2>Nodes</h2>
      <Sentence parts={view.sentence} />
      <Delivery nodes={own} />
      {own.length === 0 ? null : (
        <NodeTable nodes={own} within={view.window} clock={clock} caption="Own nodes" />
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
  rows.sort((a, b) => a.estimate - b.estimate || a.low - b.low);
  const least = Math.min(...rows.map(({ low }) => low));
  const from = [0.9, 0.8, 0.5].find((end) => least >= end) ?? 0;
  const ticks = [0, 0.5, 1].map((share) => from + share * (1 - from));
  return (
    <IntervalPlot
      rows={rows}
      from={from}
      to={1}
      ticks={ticks.map((at) => ({ at, label: percent(at, 0) }))}
      caption="Delivery of each node’s counters to the site, the lowest first, with the 95 % Wilson interval. Counters missed while no gateway was reachable count as missed here."
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
        { title: "Heard", kind: "number", of: (node) => figure(node.heard) },
        { title: "Missed", kind: "number", of: (node) => figure(node.missed) },
        { title: "SNR", kind: "number", of: (node) => withUnit(node.snrDb.median, 1, "dB") },
        { title: "Margin", kind: "number", of: (node) => withUnit(node.marginDb.median, 1, "dB") },
        {
          title: "Rhythm",
          kind: "number",
          of: (node) => (node.rhythmSeconds === null ? "–" : duration(node.rhythmSeconds)),
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

// Which dropouts were there, and what explains them? Shared ones once, then node by node.

const MAX_GAPS = 60;
/** Events whose evidence is shown in full: what a reader takes in. Chosen. */
const MAX_TOLD = 3;
const MAX_SENTENCES = 4;

interface GapEvent {
  readonly id: string;
  readonly title: ComponentChildren;
  readonly item: Pick<EpisodeRow, "from" | "to" | "open" | "missedCounters" | "finding">;
}

export function Gaps({ view, clock }: { readonly view: GapsView; readonly clock: Clock }) {
  // What strangers miss is nobody's to mend, and what an episode says once need not be said for each node.
  const own = view.gaps.filter((gap) => !gap.stranger && gap.episode === null);
  const events: GapEvent[] = [
    ...view.episodes.map((item) => ({ id: item.id, title: episodeTitle(item), item })),
    ...own.slice(0, MAX_GAPS).map((item) => ({ id: item.id, title: <GapTitle gap={item} />, item })),
  ];
  const worst = [...events].sort((a, b) => b.item.missedCounters - a.item.missedCounters).slice(0, MAX_TOLD);
  const others = events.filter((event) => !worst.includes(event));
  return (
    <section>
      <h2>Gaps</h2>
      <Sentence parts={view.sentence} />
      {worst.map(({ id, title, item }) => (
        <Entry key={id} title={title} item={item} clock={clock} />
      ))}
      {others.length === 0 ? null : <OtherGaps events={others} clock={clock} />}
      {own.length <= MAX_GAPS ? null : (
        <p class="quiet">{figure(own.length - MAX_GAPS)} older gaps of single nodes are left out.</p>
      )}
    </section>
  );
}

function OtherGaps({ events, clock }: { readonly events: readonly GapEvent[]; readonly clock: Clock }) {
  return (
    <Table
      caption="The other gaps"
      rows={events}
      columns={[
        {
          title: "When",
          of: ({ item }) => (
            <span class="nobreak">
              {clock.stretch(item.from, item.to)}
              {item.open ? ", still open" : ""}
            </span>
          ),
        },
        { title: "Who", of: ({ title }) => title },
        { title: "Missed", kind: "number", of: ({ item }) => figure(item.missedCounters) },
        {
          title: "Why",
          kind: "words",
          of: ({ item: { finding } }) => (
            <>
              <b>{causeWords(finding)}</b> {finding.sentence}
            </>
          ),
        },
      ]}
    />
  );
}

function GapTitle({ gap }: { readonly gap: DropoutRow }) {
  return (
    <>
      {gap.name === null ? null : <>{gap.name} </>}
      <Mono text={`${gap.devAddr}/${gap.life}`} />
    </>
  );
}

interface EntryProps {
  readonly title: ComponentChildren;
  readonly item: Pick<EpisodeRow, "from" | "to" | "open" | "missedCounters" | "finding">;
  readonly clock: Clock;
}

function Entry({ title, item, clock }: EntryProps) {
  const { finding } = item;
  const missed =
    item.missedCounters === 0
      ? "no missed counter known"
      : `${figure(item.missedCounters)} missed counter${item.missedCounters === 1 ? "" : "s"}`;
  return (
    <div class="keep">
      <h3>{title}</h3>
      <p>
        {clock.stretch(item.from, item.to)}
        {item.open ? ", still open" : ""}; {missed}. <b>{causeWords(finding)}</b> {finding.sentence}
      </p>
      <Reasons finding={finding} />
    </div>
  );
}

/** "Weak link: likely, 83 %." */
function causeWords(finding: Finding): string {
  const label = CAUSE_LABELS[finding.cause];
  const titled = `${label[0]?.toUpperCase()}${label.slice(1)}`;
  return finding.cause === "unexplained" ? `${titled}.` : `${titled}: ${confidenceWords(finding)}.`;
}

function Reasons({ finding }: { readonly finding: Finding }) {
  const others = finding.alternatives
    .slice(0, 2)
    .map(({ cause, confidence }) => `${CAUSE_LABELS[cause]} (${confidenceText(confidence)})`);
  const lines = [
    ...finding.evidence.slice(0, MAX_SENTENCES).map(({ sentence }) => `For: ${sentence}`),
    ...finding.against.slice(0, MAX_SENTENCES).map(({ sentence }) => `Against: ${sentence}`),
    ...(others.length === 0 ? [] : [`Next likely: ${others.join(", ")}.`]),
    ...finding.recordNext.map((sentence) => `Record next: ${sentence}`),
  ];
  return lines.length === 0 ? null : (
    <ul>
      {lines.map((line) => (
        <li key={line}>{line}</li>
      ))}
    </ul>
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
