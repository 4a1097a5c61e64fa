/** What do the views say of gaps in a sentence or a clause? One place, so that all of them say the same. */
import type { Cause, DropoutRow, EpisodeRow } from "../contract/gaps.ts";
import type { Sentence } from "../contract/index.ts";
import { CAUSE_LABELS } from "../words/causes.ts";
import { certaintyOf } from "../words/certainty.ts";
import { span } from "./standing.ts";

interface Asked {
  readonly fromUs: number;
  readonly toUs: number;
  readonly live: boolean;
}

function count(n: number, one: string, many = `${one}s`): string {
  return `${n.toLocaleString("en-GB")} ${n === 1 ? one : many}`;
}

/** "4 gaps of 3 nodes in the last hour; most often: weak link (3); 1 goes on." */
export function gapsSentence(
  gaps: readonly DropoutRow[],
  episodes: readonly EpisodeRow[],
  { fromUs, toUs, live }: Asked,
): Sentence {
  const when = `${live ? "in the last" : "in this window of"} ${span((toUs - fromUs) / 1e6)}`;
  if (gaps.length === 0) {
    const silent =
      episodes.length === 0 ? "" : `; ${count(episodes.length, "outage")} of a gateway cost no node a frame`;
    return [{ text: `No gap ${when} that chance and the nodes' own rhythms do not explain${silent}.` }];
  }
  const nodes = new Set(gaps.map(({ devAddr, life }) => `${devAddr}/${life}`)).size;
  const byCause = new Map<Cause, number>();
  for (const { finding } of gaps) byCause.set(finding.cause, (byCause.get(finding.cause) ?? 0) + 1);
  const named = [...byCause].filter(([cause]) => cause !== "unexplained").sort((a, b) => b[1] - a[1]);
  const unexplained = byCause.get("unexplained") ?? 0;
  const open = gaps.filter((gap) => gap.open).length;
  const parts = [
    ...named.slice(0, 2).map(([cause, n]) => `${CAUSE_LABELS[cause]} ${n.toLocaleString("en-GB")}`),
    ...(named.length > 2 ? [`other causes ${named.slice(2).reduce((sum, [, n]) => sum + n, 0)}`] : []),
    ...(unexplained > 0 ? [`unexplained ${unexplained.toLocaleString("en-GB")}`] : []),
  ];
  return [
    { text: count(gaps.length, "gap"), href: "#/gaps" },
    { text: ` of ${count(nodes, "node")} ${when}: ${parts.join(", ")}` },
    { text: open === 0 ? "." : `; ${openText(open, live)}.` },
  ];
}

function openText(open: number, live: boolean): string {
  if (live) return open === 1 ? "one goes on" : `${open} go on`;
  return `${open === 1 ? "one is" : `${open} are`} open at the end of this window`;
}

/** `strangers`: how many of the nodes are another network's. */
export function episodeSentence(
  cause: Cause,
  gateway: string,
  {
    nodes,
    strangers,
    missed,
  }: { readonly nodes: number; readonly strangers: number; readonly missed: number },
): string {
  const own = nodes - strangers;
  const who =
    strangers === 0
      ? count(nodes, "node")
      : own === 0
        ? count(strangers, "stranger")
        : `${count(own, "node")} and ${count(strangers, "stranger")}`;
  return `${who} of ${gateway} missed ${count(missed, "counter")} together: ${CAUSE_LABELS[cause]}.`;
}

export function outageSentence(gateway: string, seconds: number): string {
  return `${gateway} sent nothing for ${span(seconds)}; no node lost a frame by it.`;
}

/** "weak link (likely)"; "unexplained" stands alone. */
export function findingWords({ cause, word }: { readonly cause: Cause; readonly word: string }): string {
  return cause === "unexplained" ? CAUSE_LABELS[cause] : `${CAUSE_LABELS[cause]} (${word})`;
}

/**
 * What most of the `missed` counters of a node are put down to: "weak link (likely)", or "mostly weak link (likely)"
 * where that does not account for all of them. null where no cause accounts for half: single counters that chance
 * explains are in no dropout.
 */
export function mainCause(
  shares: readonly { readonly cause: string; readonly lost: number; readonly confidence: number }[],
  missed: number,
): { cause: Cause; words: string } | null {
  const known = shares.filter(
    (share): share is typeof share & { cause: Cause } => share.cause in CAUSE_LABELS,
  );
  const [main] = [...known].sort((a, b) => b.lost - a.lost || a.cause.localeCompare(b.cause));
  if (main === undefined || main.lost * 2 < missed) return null;
  const all = known.length === 1 && main.lost >= missed;
  return {
    cause: main.cause,
    words: `${all ? "" : "mostly "}${findingWords({ cause: main.cause, word: certaintyOf(main.cause, main.confidence) })}`,
  };
}
