/** Why is it taken for that? The finding's sentence, what speaks for and against it, and what would settle it. */
import { useState } from "preact/hooks";
import type {
  Cause,
  DropoutRow,
  EpisodeRow,
  Evidence,
  Finding,
  GapsView,
  ReceptionsLink,
} from "../../../../src/contract/gaps.ts";
import { CAUSE_LABELS, confidenceText, confidenceWords } from "../../../../src/words/causes.ts";
import { counted, duration, figure } from "../../../../src/words/format.ts";
import { withShortEuis } from "../../format.ts";
import { LinkButton } from "../../parts/form.tsx";
import { ReceptionTable, useReceptions } from "../../parts/ReceptionTable.tsx";

// How is a dropout described in few words? Its cause, how sure that is, how long it was and what it cost.

export const ALL_CAUSES = Object.keys(CAUSE_LABELS) as Cause[];

/** "weak link": a cause as a person says it. */
export function causeWords(cause: Cause): string {
  return CAUSE_LABELS[cause];
}

/** Length in seconds; an open one reaches to the newest moment known. */
export function lengthSeconds({ from, to }: { from: string; to: string }): number {
  return (Date.parse(to) - Date.parse(from)) / 1000;
}

/** "7 min", "9 min so far". */
export function lengthWords(row: { from: string; to: string; open: boolean }): string {
  return `${duration(lengthSeconds(row))}${row.open ? " so far" : ""}`;
}

/** What a dropout cost: "3 missed", "9 of 40 missed", "silent, about 3 frames due". */
export function costWords(row: DropoutRow): string {
  if (row.kind === "steady")
    return `${figure(row.missedCounters)} of ${figure(row.missedCounters + row.heardCounters)} missed`;
  if (row.missedCounters > 0) return `${figure(row.missedCounters)} missed`;
  if (row.expectedByRhythm === null) return "silent";
  return `silent, about ${counted(Math.round(row.expectedByRhythm), "frame")} due`;
}

/** Which counters: "FCnt 1803 to 1805"; empty where none is known to be missing. */
export function counterWords({ firstMissedCounter: first, lastMissedCounter: last }: DropoutRow): string {
  if (first === null || last === null) return "";
  return first === last ? `FCnt ${first}` : `FCnt ${first} to ${last}`;
}

/** "Frost probe row 12", else its address. */
export function nodeTitle({ name, devAddr }: { name: string | null; devAddr: string }): string {
  return name ?? devAddr;
}

/** The service writes thin spaces before units; here a line must not end at them. */

/** A finding in words. */
export function FindingWords({ finding }: { finding: Finding }) {
  const { evidence, against, alternatives, recordNext } = finding;
  return (
    <div class="finding">
      <p class="finding-sentence">
        {withShortEuis(finding.sentence)}{" "}
        <span class="quiet">
          {causeWords(finding.cause)}
          {finding.cause === "unexplained" ? "" : `, ${confidenceWords(finding)}`}.
        </span>
      </p>
      <div class="finding-sides">
        <Side title="Speaks for it" none="Nothing speaks for a cause." for={true} sentences={evidence} />
        <Side title="Speaks against it" none="Nothing speaks against it." for={false} sentences={against} />
      </div>
      {alternatives.length === 0 ? null : (
        <p>
          <span class="quiet">Next in question:</span>{" "}
          {alternatives
            .map(({ cause, confidence }) => `${causeWords(cause)} (${confidenceText(confidence)})`)
            .join(", ")}
        </p>
      )}
      {recordNext.length === 0 ? null : (
        <>
          <h3>What to record next</h3>
          <ul class="finding-next">
            {recordNext.map((words) => (
              <li key={words}>{words}</li>
            ))}
          </ul>
        </>
      )}
    </div>
  );
}

interface SideProps {
  readonly title: string;
  readonly none: string;
  readonly for: boolean;
  readonly sentences: readonly Evidence[];
}

function Side({ title, none, for: isFor, sentences }: SideProps) {
  return (
    <div>
      <h3>{title}</h3>
      {sentences.length === 0 ? (
        <p class="quiet">{none}</p>
      ) : (
        <ul class={isFor ? "evidence evidence-for" : "evidence evidence-against"}>
          {sentences.map((one) => (
            <Said key={`${one.lane} ${one.sentence}`} evidence={one} />
          ))}
        </ul>
      )}
    </div>
  );
}

function Said({ evidence }: { evidence: Evidence }) {
  const [shown, setShown] = useState(false);
  const { receptionsQuery, sentence } = evidence;
  return (
    <li>
      {withShortEuis(sentence)}{" "}
      {receptionsQuery === null ? null : (
        <LinkButton class="link small screen-only" aria-expanded={shown} onClick={() => setShown(!shown)}>
          {shown ? "hide the receptions" : "its receptions"}
          <span class="unseen"> for: {sentence}</span>
        </LinkButton>
      )}
      {shown && receptionsQuery !== null ? <Beneath asked={receptionsQuery} /> : null}
    </li>
  );
}

/** The receptions that a sentence rests on. */
function Beneath({ asked }: { asked: ReceptionsLink }) {
  const { devAddr, life, gateway, from, to } = asked;
  const list = useReceptions({ devAddr, life, gatewayEui: gateway, from, to }, 0);
  return (
    <div class="evidence-beneath">
      {list.loading && list.rows.length === 0 ? <p class="quiet small">○ asking</p> : null}
      <ReceptionTable
        list={list}
        withNode={devAddr === null}
        none="No reception lies there: that nothing was heard is what the sentence says."
      />
    </div>
  );
}

// Which lines does the list of dropouts have? Episodes with the gaps that share them, and gaps that stand alone.

export type GapItem =
  | { readonly kind: "gap"; readonly row: DropoutRow }
  | { readonly kind: "episode"; readonly row: EpisodeRow; readonly gaps: readonly DropoutRow[] };

/** Null: every one. */
export interface GapFilter {
  readonly cause: Cause | null;
  readonly node: string | null;
  readonly gateway: string | null;
  /** Whether gaps of strangers, whose fate is not one's own affair, stand in lines of their own. */
  readonly strangers: boolean;
}

/** What an address bar asks for; what is no cause is no filter. */
export function filterFromParams(params: URLSearchParams): GapFilter {
  const cause = ALL_CAUSES.find((one) => one === params.get("cause")) ?? null;
  return {
    cause,
    node: params.get("node") || null,
    gateway: params.get("gateway") || null,
    strangers: params.get("strangers") === "1",
  };
}

/** The lines, newest first: by when they began; open ones before all others. */
export function gapItems(
  { gaps, episodes }: Pick<GapsView, "gaps" | "episodes">,
  filter: GapFilter,
): GapItem[] {
  const known = new Set(episodes.map(({ id }) => id));
  const shared = new Map<string, DropoutRow[]>();
  const items: GapItem[] = [];
  for (const row of gaps) {
    if (filter.node !== null && row.devAddr !== filter.node) continue;
    if (row.episode !== null && known.has(row.episode)) {
      const members = shared.get(row.episode);
      if (members === undefined) shared.set(row.episode, [row]);
      else members.push(row);
    } else if (fits(row, filter) && isAsked(row, filter)) items.push({ kind: "gap", row });
  }
  for (const row of episodes) {
    const members = shared.get(row.id) ?? [];
    if (filter.node !== null && members.length === 0) continue;
    if (fits(row, filter)) items.push({ kind: "episode", row, gaps: members });
    else
      for (const gap of members)
        if (fits(gap, filter) && isAsked(gap, filter)) items.push({ kind: "gap", row: gap });
  }
  return items.sort(
    (a, b) => Number(b.row.open) - Number(a.row.open) || Date.parse(b.row.from) - Date.parse(a.row.from),
  );
}

/** A stranger's gap stands by itself when strangers are asked for, or this one by its address. */
function isAsked({ stranger }: DropoutRow, { strangers, node }: GapFilter): boolean {
  return !stranger || strangers || node !== null;
}

/** Gaps of strangers that stand in no episode: what the switch brings in. */
export function strangerCount({ gaps }: Pick<GapsView, "gaps">): number {
  return gaps.filter(({ stranger, episode }) => stranger && episode === null).length;
}

function fits(row: DropoutRow | EpisodeRow, { cause, gateway }: GapFilter): boolean {
  return (cause === null || row.finding.cause === cause) && (gateway === null || row.gateway === gateway);
}

export interface Choice {
  readonly id: string;
  readonly title: string;
}

/** What can be filtered by: causes, nodes and gateways that occur, each once. */
export function filterChoices({ gaps, episodes }: Pick<GapsView, "gaps" | "episodes">): {
  causes: Cause[];
  nodes: Choice[];
  gateways: Choice[];
} {
  const rows = [...gaps, ...episodes];
  const causes = new Set(rows.map(({ finding }) => finding.cause));
  const nodes = new Map(gaps.map((row) => [row.devAddr, nodeTitle(row)]));
  const gateways = new Map<string, string>();
  for (const { gateway, gatewayName } of rows)
    if (gateway !== null) gateways.set(gateway, gatewayName ?? gateway);
  return {
    causes: ALL_CAUSES.filter((cause) => causes.has(cause)),
    nodes: choices(nodes),
    gateways: choices(gateways),
  };
}

/** By title; things of one name are distinguished by what they are known by. */
function choices(titles: ReadonlyMap<string, string>): Choice[] {
  const times = new Map<string, number>();
  for (const title of titles.values()) times.set(title, (times.get(title) ?? 0) + 1);
  return [...titles]
    .map(([id, title]) => ({ id, title: times.get(title) === 1 ? title : `${title}, ${id}` }))
    .sort((a, b) => a.title.localeCompare(b.title, "en", { numeric: true }));
}
