/** What do the views say of gaps in a sentence or a clause? One place, so that all of them say the same. */
import type { Cause, EpisodeRow, GapCounts } from "../contract/gaps.ts";
import type { Sentence } from "../contract/index.ts";
import { CAUSE_LABELS, certaintyOf } from "../words/causes.ts";
import { duration, figure, plural } from "../words/format.ts";
import { type SpokenWindow, within } from "./sentences.ts";

/** "4 gaps of 3 nodes in the last hour; most often: weak link (3); 1 goes on." `own`: of your own nodes. */
export function gapsSentence(
  own: GapCounts,
  episodes: readonly EpisodeRow[],
  window: SpokenWindow,
): Sentence {
  const when = within(window);
  if (own.gaps === 0) {
    const silent =
      episodes.length === 0 ? "" : `; ${plural(episodes.length, "outage")} of a gateway cost no node a frame`;
    return [{ text: `No gap ${when} that chance and the nodes' own rhythms do not explain${silent}.` }];
  }
  const named = Object.entries(own.byCause)
    .filter(([cause]) => cause !== "unexplained")
    .sort((a, b) => b[1] - a[1] || a[0].localeCompare(b[0]));
  const unexplained = own.byCause.unexplained ?? 0;
  const parts = [
    ...named.slice(0, 2).map(([cause, n]) => `${CAUSE_LABELS[cause as Cause]} ${figure(n)}`),
    ...(named.length > 2 ? [`other causes ${named.slice(2).reduce((sum, [, n]) => sum + n, 0)}`] : []),
    ...(unexplained > 0 ? [`unexplained ${figure(unexplained)}`] : []),
  ];
  return [
    { text: plural(own.gaps, "gap"), href: "#/gaps" },
    { text: ` of ${plural(own.nodes, "node")} ${when}: ${parts.join(", ")}` },
    { text: own.open === 0 ? "." : `; ${openText(own.open, window.live)}.` },
  ];
}

/** In place of a sentence about gaps where nobody listened. */
export function nothingRecorded(window: SpokenWindow): Sentence {
  return [{ text: `Nothing was recorded ${within(window)}: what was lost meanwhile is not known.` }];
}

function openText(open: number, live: boolean): string {
  if (live) return open === 1 ? "one is still open" : `${open} are still open`;
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
      ? plural(nodes, "node")
      : own === 0
        ? plural(strangers, "stranger")
        : `${plural(own, "node")} and ${plural(strangers, "stranger")}`;
  return `${who} of ${gateway} missed ${plural(missed, "counter")} together: ${CAUSE_LABELS[cause]}.`;
}

export function outageSentence(gateway: string, seconds: number): string {
  return `${gateway} sent nothing for ${duration(seconds)}; no node lost a frame because of it.`;
}

/** "weak link (likely)"; "unexplained" stands alone. */
export function findingWords({ cause, word }: { readonly cause: Cause; readonly word: string }): string {
  return cause === "unexplained" ? CAUSE_LABELS[cause] : `${CAUSE_LABELS[cause]} (${word})`;
}

/**
 * What most of the `missed` counters of a node are attributed to: "weak link (likely)", or "mostly weak link (likely)"
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

// Does a dropout begin where a person pinned a mark? That is a coincidence and no cause: it is shown beside the
// finding, never weighed in it.

/** Times are microseconds since 1970. */
export interface MarkedMoment {
  readonly atUs: number;
  readonly gatewayEui: string | null;
  readonly devAddr: string | null;
}

export interface DropoutBegin {
  readonly kind: "counters" | "silence" | "steady";
  /** Last frame heard before; of a steady loss, where it was found to begin. */
  readonly fromUs: number;
  readonly toUs: number;
  /** Frames that should have come within it. */
  readonly expected: number;
  /** null: of many nodes. */
  readonly devAddr: string | null;
  /** The gateway whose trouble it is; null: of none, or of all. */
  readonly gatewayEui: string | null;
}

const MINUTE_US = 60_000_000;
/** People pin what they did some minutes before or after doing it. Chosen. */
const SLACK_US = 5 * MINUTE_US;
/** A change point is found to within some of the values around it, the better the shorter the period. Chosen. */
const STEADY_SLACK_US = 10 * MINUTE_US;
const STEADY_SHARE = 0.05;
const STEADY_MOST_US = 6 * 60 * MINUTE_US;

/**
 * The mark nearest to the dropout's begin among those that concern it, or null. What began it lies between the last
 * frame heard and the moment at which the next one was due.
 */
export function beginsAtMark<M extends MarkedMoment>(dropout: DropoutBegin, marks: readonly M[]): M | null {
  const [earliest, latest] = beginOf(dropout);
  let nearest: M | null = null;
  for (const mark of marks) {
    if (mark.atUs < earliest || mark.atUs > latest || !concerns(mark, dropout)) continue;
    const apart = Math.abs(mark.atUs - dropout.fromUs);
    if (nearest === null || apart < Math.abs(nearest.atUs - dropout.fromUs)) nearest = mark;
  }
  return nearest;
}

/** No mark before this moment meets the begin: for asking the store for no more marks than can count. */
export function earliestMarkUs(dropout: DropoutBegin): number {
  return beginOf(dropout)[0];
}

/** The stretch within which a mark meets the begin. */
function beginOf({ kind, fromUs, toUs, expected }: DropoutBegin): [number, number] {
  const lengthUs = toUs - fromUs;
  if (kind === "steady") {
    const slackUs = Math.min(STEADY_MOST_US, Math.max(STEADY_SLACK_US, lengthUs * STEADY_SHARE));
    return [fromUs - slackUs, fromUs + slackUs];
  }
  const dueUs = fromUs + lengthUs / (Math.max(1, expected) + 1);
  return [fromUs - SLACK_US, Math.min(toUs, dueUs) + SLACK_US];
}

function concerns(mark: MarkedMoment, { devAddr, gatewayEui }: DropoutBegin): boolean {
  if (mark.devAddr !== null) return mark.devAddr === devAddr;
  return mark.gatewayEui === null || gatewayEui === null || mark.gatewayEui === gatewayEui;
}
