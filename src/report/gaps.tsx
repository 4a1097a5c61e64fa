/** Which dropouts were there, and what explains them? Those that missed most with their evidence drawn, the others in a line. */
import type { ComponentChildren } from "preact";
import type { DropoutRow, EpisodeRow, Finding, GapPage, GapsView } from "../contract/gaps.ts";
import { CAUSE_LABELS, confidenceText, confidenceWords, episodeTitle } from "../words/causes.ts";
import { figure } from "../words/format.ts";
import { EvidenceDrawing } from "./Drawing.tsx";
import { type Clock, Mono, Sentence, Table } from "./parts.tsx";

const MAX_GAPS = 60;
/** Events whose evidence is shown in full: what a reader takes in. Chosen. */
const MAX_TOLD = 3;
const MAX_SENTENCES = 3;

interface GapEvent {
  readonly id: string;
  readonly title: ComponentChildren;
  readonly item: Pick<EpisodeRow, "from" | "to" | "open" | "missedCounters" | "finding">;
  /** Whose evidence stands for it: its own, or of several nodes that of the one that missed most. */
  readonly gapId: string | null;
}

/** What struck several nodes once, and what single own nodes missed: what strangers miss is nobody's to mend. */
function gapEvents(view: GapsView): GapEvent[] {
  const most = (episode: string) =>
    view.gaps
      .filter((gap) => gap.episode === episode && !gap.stranger)
      .sort((a, b) => b.missedCounters - a.missedCounters)[0];
  return [
    ...view.episodes.map((item) => ({
      ...{ id: item.id, title: episodeTitle(item), item },
      gapId: most(item.id)?.id ?? null,
    })),
    ...ownGaps(view)
      .slice(0, MAX_GAPS)
      .map((item) => ({ id: item.id, title: <GapTitle gap={item} />, item, gapId: item.id })),
  ];
}

function ownGaps({ gaps }: GapsView): DropoutRow[] {
  return gaps.filter((gap) => !gap.stranger && gap.episode === null);
}

function worstOf(events: readonly GapEvent[]): GapEvent[] {
  return [...events].sort((a, b) => b.item.missedCounters - a.item.missedCounters).slice(0, MAX_TOLD);
}

/** The gaps whose evidence the report draws, each one of the three events that missed most. */
export function gapsToDraw(view: GapsView): string[] {
  return worstOf(gapEvents(view)).flatMap(({ gapId }) => gapId ?? []);
}

export interface GapsProps {
  readonly view: GapsView;
  /** By the gap's identifier. */
  readonly evidence: ReadonlyMap<string, GapPage>;
  readonly clock: Clock;
}

export function Gaps({ view, evidence, clock }: GapsProps) {
  const events = gapEvents(view);
  const worst = worstOf(events);
  const others = events.filter((event) => !worst.includes(event));
  const left = ownGaps(view).length - MAX_GAPS;
  return (
    <section>
      <h2>Gaps</h2>
      <Sentence parts={view.sentence} />
      {worst.map(({ id, title, item, gapId }, index) => (
        <Entry key={id} title={title} item={item} clock={clock}>
          <Evidence page={evidence.get(gapId ?? "")} index={index} clock={clock} />
        </Entry>
      ))}
      {others.length === 0 ? null : <OtherGaps events={others} clock={clock} />}
      {left <= 0 ? null : <p class="quiet">{figure(left)} older gaps of single nodes are left out.</p>}
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

function Evidence({ page, index, clock }: { page: GapPage | undefined; index: number; clock: Clock }) {
  return page === undefined ? null : <EvidenceDrawing page={page} index={index} clock={clock} />;
}

interface EntryProps {
  readonly title: ComponentChildren;
  readonly item: Pick<EpisodeRow, "from" | "to" | "open" | "missedCounters" | "finding">;
  readonly clock: Clock;
  readonly children: ComponentChildren;
}

function Entry({ title, item, clock, children }: EntryProps) {
  const { finding } = item;
  const missed =
    item.missedCounters === 0
      ? "no missed counter known"
      : `${figure(item.missedCounters)} missed counter${item.missedCounters === 1 ? "" : "s"}`;
  return (
    <div>
      <div class="keep">
        <h3>{title}</h3>
        <p>
          {clock.stretch(item.from, item.to)}
          {item.open ? ", still open" : ""}; {missed}. <b>{causeWords(finding)}</b> {finding.sentence}
        </p>
        <Reasons finding={finding} />
      </div>
      {children}
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
