/** Which dropouts were there, and what explains them? Shared ones once, then node by node. */
import type { ComponentChildren } from "preact";
import type { DropoutRow, EpisodeRow, Finding, GapsView } from "../../contract/gaps.ts";
import { percent } from "../../diagnosis/standing.ts";
import { type Clock, count } from "../format.ts";
import { Mono, Sentence } from "../parts.tsx";

const MOST_GAPS = 60;
const MOST_SENTENCES = 4;

export function Gaps({ view, clock }: { readonly view: GapsView; readonly clock: Clock }) {
  // What strangers miss is nobody's to mend, and what an episode says once need not be said for each node.
  const own = view.gaps.filter((gap) => !gap.stranger && gap.episode === null);
  return (
    <section class="page">
      <h2>Gaps</h2>
      <Sentence parts={view.sentence} />
      {view.episodes.map((episode) => (
        <Entry key={episode.id} title={episodeTitle(episode)} item={episode} clock={clock} />
      ))}
      {own.slice(0, MOST_GAPS).map((gap) => (
        <Entry key={gap.id} title={<GapTitle gap={gap} />} item={gap} clock={clock} />
      ))}
      {own.length <= MOST_GAPS ? null : (
        <p class="quiet">{count(own.length - MOST_GAPS)} older gaps of single nodes are left out.</p>
      )}
    </section>
  );
}

function episodeTitle(episode: EpisodeRow): string {
  const where =
    episode.scope === "site" ? "The whole site" : (episode.gatewayName ?? episode.gateway ?? "A gateway");
  if (episode.nodes === 0) return `${where}: no node lost a frame`;
  return `${where}: ${count(episode.nodes)} node${episode.nodes === 1 ? "" : "s"}`;
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
      : `${count(item.missedCounters)} missed counter${item.missedCounters === 1 ? "" : "s"}`;
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

/** "Weak link, likely (83 %)." */
function causeWords({ cause, word, confidence }: Finding): string {
  const name = cause.replaceAll("-", " ");
  const titled = `${name[0]?.toUpperCase()}${name.slice(1)}`;
  return cause === "unexplained" ? `${titled}.` : `${titled}, ${word} (${percent(confidence)}).`;
}

function Reasons({ finding }: { readonly finding: Finding }) {
  const others = finding.alternatives
    .slice(0, 2)
    .map(({ cause, confidence }) => `${cause.replaceAll("-", " ")} (${percent(confidence)})`);
  const lines = [
    ...finding.evidence.slice(0, MOST_SENTENCES).map(({ sentence }) => `For: ${sentence}`),
    ...finding.against.slice(0, MOST_SENTENCES).map(({ sentence }) => `Against: ${sentence}`),
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
