/** Which dropouts belong together? Those of one cause at one gateway at the same time are one episode that nodes share. */
import type { Cause, DropoutRow, EpisodeRow, Finding } from "../contract/gaps.ts";
import { episodeSentence, outageSentence } from "../diagnosis/gap-sentences.ts";
import { countDevices } from "../diagnosis/status.ts";
import { isoTime } from "../model/time-range.ts";
import type { StoredOutage } from "../store/queries/gaps.ts";
import { certaintyOf } from "../words/causes.ts";
import type { GapNames } from "./known-gaps.ts";
import type { AskedWindow } from "./window.ts";

const MAX_IDS = 500;

interface Group {
  readonly cause: Cause;
  readonly gateway: string;
  fromMs: number;
  toMs: number;
  readonly rows: DropoutRow[];
}

/** The episodes, newest first, and the rows with the episode that each belongs to. */
export function episodesOf(
  rows: readonly DropoutRow[],
  outages: readonly StoredOutage[],
  names: GapNames,
  window: AskedWindow,
): { episodes: EpisodeRow[]; gaps: DropoutRow[] } {
  const groups = grouped(rows.filter(({ scope, gateway }) => scope !== "node" && gateway !== null));
  const shared = groups.filter((group) => countDevices(group.rows) > 1);
  const idOf = new Map<string, string>();
  const episodes = shared.map((group) => {
    const episode = episodeRow(group);
    for (const { id } of group.rows) idOf.set(id, episode.id);
    return episode;
  });
  // A gateway's outage that cost no node a frame is an episode all the same.
  for (const outage of outages) {
    const gateway = names.gateways.get(outage.gatewayId);
    if (gateway === undefined || groups.some((group) => covers(group, gateway.eui, outage))) continue;
    episodes.push(outageRow(outage, gateway, window));
  }
  return {
    episodes: episodes.sort((a, b) =>
      a.from !== b.from ? (a.from < b.from ? 1 : -1) : a.id < b.id ? -1 : 1,
    ),
    gaps: rows.map((row) => ({ ...row, episode: idOf.get(row.id) ?? null })),
  };
}

function grouped(rows: readonly DropoutRow[]): Group[] {
  const groups: Group[] = [];
  const newest = new Map<string, Group>();
  for (const row of [...rows].sort((a, b) => (a.from < b.from ? -1 : a.from > b.from ? 1 : 0))) {
    const { cause } = row.finding;
    const gateway = row.gateway ?? "";
    const key = `${cause}/${gateway}`;
    const fromMs = Date.parse(row.from);
    const toMs = Date.parse(row.to);
    const open = newest.get(key);
    if (open !== undefined && fromMs < open.toMs) {
      open.rows.push(row);
      open.toMs = Math.max(open.toMs, toMs);
      continue;
    }
    const group: Group = { cause, gateway, fromMs, toMs, rows: [row] };
    newest.set(key, group);
    groups.push(group);
  }
  return groups;
}

function episodeRow({ cause, gateway, fromMs, toMs, rows }: Group): EpisodeRow {
  const nodes = countDevices(rows);
  const strangers = countDevices(rows.filter(({ stranger }) => stranger));
  const missedCounters = rows.reduce((sum, row) => sum + row.missedCounters, 0);
  const surest = rows.reduce((a, b) => (b.finding.confidence > a.finding.confidence ? b : a));
  const gatewayName = surest.gatewayName;
  return {
    id: `${gateway}-${fromMs}-${cause}`,
    scope: surest.scope,
    gateway,
    gatewayName,
    open: rows.some(({ open }) => open),
    from: new Date(fromMs).toISOString(),
    to: new Date(toMs).toISOString(),
    nodes,
    missedCounters,
    gapIds: rows.slice(0, MAX_IDS).map(({ id }) => id),
    finding: {
      ...surest.finding,
      sentence: episodeSentence(cause, gatewayName ?? gateway, { nodes, strangers, missed: missedCounters }),
    },
  };
}

function covers(group: Group, gateway: string, { fromUs, toUs }: StoredOutage): boolean {
  const isOutage = group.cause === "gateway-unreachable" || group.cause === "gateway-restarted";
  return (
    isOutage &&
    group.gateway === gateway &&
    group.fromMs < (toUs ?? Number.MAX_SAFE_INTEGER) / 1000 &&
    group.toMs > fromUs / 1000
  );
}

function outageRow(
  { fromUs, toUs }: StoredOutage,
  { eui, name }: { readonly eui: string; readonly name: string | null },
  window: AskedWindow,
): EpisodeRow {
  const endUs = toUs ?? window.toUs;
  const sentence = outageSentence(name ?? eui, (endUs - fromUs) / 1e6);
  const finding: Finding = {
    cause: "gateway-unreachable",
    confidence: 0.95,
    word: certaintyOf("gateway-unreachable", 0.95),
    sentence,
    evidence: [
      {
        sentence,
        lane: "heartbeat",
        receptionsQuery: {
          devAddr: null,
          life: null,
          gateway: eui,
          from: isoTime(fromUs),
          to: isoTime(endUs),
        },
        weight: 5,
      },
    ],
    against: [],
    alternatives: [{ cause: "gateway-restarted", confidence: 0.05 }],
    recordNext: [],
  };
  return {
    id: `${eui}-${Math.round(fromUs / 1000)}-outage`,
    scope: "gateway",
    gateway: eui,
    gatewayName: name,
    open: toUs === null,
    from: isoTime(fromUs),
    to: isoTime(endUs),
    nodes: 0,
    missedCounters: 0,
    gapIds: [],
    finding,
  };
}
