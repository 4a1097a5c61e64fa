/** The dropouts, a line each: arrow keys move, Enter opens. What is opened stands in the address bar. */
import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { DropoutRow, EpisodeRow, GapPage, MarkAtBegin } from "../../../../src/contract/gaps.ts";
import { confidenceWords, episodeTitle } from "../../../../src/words/causes.ts";
import { counted, figure } from "../../../../src/words/format.ts";
import { momentTime, withShortEuis } from "../../format.ts";
import { Button } from "../../parts/form.tsx";
import { Failed } from "../../parts/Gate.tsx";
import { now } from "../../state/clock.ts";
import { linkTo, route, setParams } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import type { WindowChoice } from "../../state/window.ts";
import {
  causeWords,
  costWords,
  counterWords,
  FindingWords,
  type GapItem,
  lengthWords,
  nodeTitle,
} from "./FindingText.tsx";
import { EvidenceScore } from "./GapDrawings.tsx";

// What befell many nodes at once? Its finding, and the gaps that it made.

/** An episode opened; `children` are the lines of its gaps. */
function EpisodeOpened({ row, children }: { row: EpisodeRow; children: ComponentChildren[] }) {
  return (
    <div class="gap-opened">
      <FindingWords finding={row.finding} />
      {children.length === 0 ? null : (
        <>
          <h3>{counted(children.length, "gap")} in it</h3>
          <p class="small quiet">Open one to see it with its evidence.</p>
          <ol class="gap-list gap-list-within">{children}</ol>
        </>
      )}
    </div>
  );
}

// One gap, laid under its evidence.

/**
 * The gap of a line; asked for anew while it goes on. `above`: the sentence that stands above it already, of an episode
 * that it is part of.
 */
function GapOpened({ row, above }: { row: DropoutRow; above: string | null }) {
  const path = `/api/gaps/${encodeURIComponent(row.id)}`;
  const { data, state, problem, reload } = useViewData<GapPage>({ path }, null);
  // An open gap moves its end; a gap that closed, or is judged anew, changes its line first.
  const standing = `${row.to} ${row.missedCounters} ${row.finding.cause} ${row.finding.confidence}`;
  useEffect(() => {
    if (data !== null && standingOf(data.gap) !== standing) reload();
  }, [standing]);
  const hours: WindowChoice =
    data === null
      ? { kind: "fixed", fromMs: Date.parse(row.from), toMs: Date.parse(row.to) }
      : { kind: "fixed", fromMs: Math.floor(data.axis.fromMs), toMs: Math.ceil(data.axis.toMs) };
  const finding = data?.gap.finding ?? row.finding;
  return (
    <section class="gap-opened" aria-label={`Evidence for the gap of ${nodeTitle(row)}`}>
      {finding.sentence === above ? null : <FindingWords finding={finding} />}
      {data !== null ? (
        <EvidenceScore page={data} />
      ) : state === "failed" && problem !== null ? (
        <Failed problem={problem} again={reload} part />
      ) : (
        <p class="quiet" role="status">
          ○ asking for the evidence
        </p>
      )}
      <p class="screen-only gap-ways">
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>{nodeTitle(row)}</a>
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`, {}, hours)}>the node over these hours</a>
        <a href={linkTo(`/gaps?node=${row.devAddr}`)}>its other gaps</a>
      </p>
    </section>
  );
}

function standingOf(row: DropoutRow): string {
  return `${row.to} ${row.missedCounters} ${row.finding.cause} ${row.finding.confidence}`;
}

/** Lines before "show more". */
const FIRST_SHOWN = 100;

/** The list. */
export function GapList({ items }: { items: readonly GapItem[] }) {
  const opened = route.value.params.get("gap");
  const list = useRef<HTMLOListElement>(null);
  const [most, setMost] = useState(FIRST_SHOWN);
  const at = items.findIndex((item) => isIn(item, opened));
  // A link to a gap far down shows it at once.
  const shown = items.slice(0, Math.max(most, at + 1));

  const cameWith = useRef(opened);
  useEffect(() => {
    // Only what the address named on arrival is brought into sight: who opens a line is there already.
    if (cameWith.current === null || at < 0) return;
    cameWith.current = null;
    list.current?.querySelector('.gap-line[aria-expanded="true"]')?.scrollIntoView({ block: "start" });
  }, [at]);

  const onKeyDown = (event: KeyboardEvent) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const target = event.target;
    if (!(target instanceof HTMLElement) || !target.classList.contains("gap-line")) return;
    const lines = [...(list.current?.querySelectorAll<HTMLElement>(".gap-line") ?? [])];
    const here = lines.indexOf(target);
    const next: Record<string, HTMLElement | undefined> = {
      ArrowDown: lines[here + 1],
      ArrowUp: lines[here - 1],
      Home: lines[0],
      End: lines.at(-1),
    };
    if (!(event.key in next)) return;
    event.preventDefault();
    next[event.key]?.focus();
  };
  if (items.length === 0) return <p class="quiet">No gap of this window fits the filter.</p>;
  return (
    <>
      <ol
        class="gap-list"
        ref={list}
        onKeyDown={onKeyDown}
        aria-label="Gaps, newest first; arrow keys move, Enter opens"
      >
        {shown.map((item) => (
          <li key={item.row.id}>
            {item.kind === "gap" ? (
              <GapLine row={item.row} opened={opened} />
            ) : (
              <EpisodeLine row={item.row} gaps={item.gaps} opened={opened} />
            )}
          </li>
        ))}
      </ol>
      {shown.length === items.length ? null : (
        <p class="beneath">
          <Button class="plain screen-only" onClick={() => setMost(most + FIRST_SHOWN)}>
            show {figure(Math.min(FIRST_SHOWN, items.length - shown.length))} more of{" "}
            {counted(items.length, "line")}
          </Button>
        </p>
      )}
    </>
  );
}

function isIn(item: GapItem, id: string | null): boolean {
  return item.row.id === id || (item.kind === "episode" && item.gaps.some((gap) => gap.id === id));
}

export interface GapLineProps {
  readonly row: DropoutRow;
  readonly opened: string | null;
  /** The sentence of the episode above it. */
  readonly above?: string | null;
}

/** One gap; also used within an episode. */
export function GapLine({ row, opened, above = null }: GapLineProps) {
  const isOpen = opened === row.id;
  return (
    <>
      <Line row={row} isOpen={isOpen} onToggle={() => setParams({ gap: isOpen ? null : row.id })}>
        <strong>{nodeTitle(row)}</strong>
        {row.name === null ? null : <span class="mono quiet"> {row.devAddr}</span>}
      </Line>
      {isOpen ? <GapOpened row={row} above={above} /> : null}
    </>
  );
}

function EpisodeLine({
  row,
  gaps,
  opened,
}: {
  row: EpisodeRow;
  gaps: readonly DropoutRow[];
  opened: string | null;
}) {
  const within = opened !== null && gaps.some((gap) => gap.id === opened);
  const isOpen = opened === row.id || within;
  return (
    <>
      <Line row={row} isOpen={isOpen} onToggle={() => setParams({ gap: isOpen ? null : row.id })}>
        <strong>{withShortEuis(episodeTitle(row))}</strong>
      </Line>
      {isOpen ? (
        <EpisodeOpened row={row}>
          {gaps.map((gap) => (
            <li key={gap.id}>
              <GapLine row={gap} opened={opened} above={row.finding.sentence} />
            </li>
          ))}
        </EpisodeOpened>
      ) : null}
    </>
  );
}

interface LineProps {
  readonly row: DropoutRow | EpisodeRow;
  readonly isOpen: boolean;
  readonly onToggle: () => void;
  readonly children: preact.ComponentChildren;
}

function Line({ row, isOpen, onToggle, children }: LineProps) {
  const cost = "kind" in row ? costWords(row) : episodeCost(row);
  const counters = "kind" in row ? counterWords(row) : "";
  return (
    <button type="button" class="gap-line" aria-expanded={isOpen} onClick={onToggle}>
      <span class="gap-when nowrap">{momentTime(Date.parse(row.from), now.value)}</span>
      <span class="gap-who">{children}</span>
      <span class="gap-length">
        {row.open ? <span class="gap-open">open</span> : null} {lengthWords(row)}
      </span>
      <span class="gap-cost">
        {cost}
        {counters === "" ? null : <span class="quiet small"> {counters}</span>}
      </span>
      <span class="gap-cause">
        {causeWords(row.finding.cause)} <Confidence row={row} />
      </span>
      <AtMark mark={row.mark ?? null} />
    </button>
  );
}

function episodeCost({ nodes, missedCounters }: EpisodeRow): string {
  return nodes === 0 ? "no node lost a frame" : `${figure(missedCounters)} missed`;
}

function Confidence({ row }: { row: DropoutRow | EpisodeRow }) {
  return <span class={`gap-sure gap-sure-${row.finding.word} small`}>{confidenceWords(row.finding)}</span>;
}

function AtMark({ mark }: { mark: MarkAtBegin | null }) {
  if (mark === null) return null;
  return <span class="gap-mark small">begins at the mark “{mark.text}”</span>;
}
