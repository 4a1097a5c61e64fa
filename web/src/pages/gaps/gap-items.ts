/** Which lines does the list of dropouts have? Episodes with the gaps that share them, and gaps that stand alone. */
import type { Cause, DropoutRow, EpisodeRow, GapsView } from "../../../../src/contract/gaps.ts";
import { ALL_CAUSES, nodeTitle } from "./FindingText.tsx";

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
