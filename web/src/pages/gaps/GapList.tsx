/** The dropouts, a line each: arrows walk, Enter opens. What is opened stands in the address bar. */
import { useEffect, useRef, useState } from "preact/hooks";
import type { DropoutRow, EpisodeRow, MarkAtBegin } from "../../../../src/contract/gaps.ts";
import { counted, figure } from "../../format/format.ts";
import { momentTime } from "../../format/times.ts";
import { now } from "../../state/clock.ts";
import { route, setParams } from "../../state/route.ts";
import { EpisodeOpened } from "./EpisodeOpened.tsx";
import { GapOpened } from "./GapOpened.tsx";
import type { GapItem } from "./gap-items.ts";
import {
  causeWords,
  confidenceWords,
  costWords,
  counterWords,
  episodeTitle,
  lengthWords,
  nodeTitle,
} from "./gap-words.ts";

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
        aria-label="Gaps, newest first; arrows walk, Enter opens"
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
          <button type="button" class="plain screen-only" onClick={() => setMost(most + FIRST_SHOWN)}>
            show {figure(Math.min(FIRST_SHOWN, items.length - shown.length))} more of{" "}
            {counted(items.length, "line")}
          </button>
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
  readonly told?: string | null;
}

/** One gap; also used within an episode. */
export function GapLine({ row, opened, told = null }: GapLineProps) {
  const isOpen = opened === row.id;
  return (
    <>
      <Line row={row} isOpen={isOpen} onToggle={() => setParams({ gap: isOpen ? null : row.id })}>
        <strong>{nodeTitle(row)}</strong>
        {row.name === null ? null : <span class="mono quiet"> {row.devAddr}</span>}
      </Line>
      {isOpen ? <GapOpened row={row} told={told} /> : null}
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
        <strong>{episodeTitle(row)}</strong>
      </Line>
      {isOpen ? (
        <EpisodeOpened row={row}>
          {gaps.map((gap) => (
            <li key={gap.id}>
              <GapLine row={gap} opened={opened} told={row.finding.sentence} />
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
