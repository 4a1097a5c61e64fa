/** The dropouts of a window: one row a node's gap with its finding, and the episodes that several nodes share. */

import type { Cause, DropoutRow, EpisodeRow, Finding, GapCounts, GapsView } from "../contract/gaps.ts";
import {
  episodeSentence,
  gapsSentence,
  nothingRecorded,
  outageSentence,
} from "../diagnosis/gap-sentences.ts";
import { countDevices } from "../diagnosis/status.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { rounded } from "../model/rounding.ts";
import { type NamedText, type NameOf, renderNamed } from "../model/text.ts";
import { isoTime, totalUs } from "../model/time-range.ts";
import type { Store } from "../store/open.ts";
import { type GapCount, goesOn, type StoredGap, type StoredOutage } from "../store/queries/gaps.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { type LabelRecord, labels, lifeNumber, storedSpanUs } from "../store/queries/lives.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { certaintyOf } from "../words/causes.ts";
import { type HomeNetworks, homeNetworksUntil, isStranger } from "./home-networks.ts";
import { knownCounts, knownGaps, withMarks } from "./known-gaps.ts";
import { type AskedWindow, knownUntilUs, recordedOf, windowView } from "./window.ts";

// Which dropouts belong together? Those of one cause at one gateway at the same time are one episode that nodes share.

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

export const MAX_GAPS = 2_000;

/** What stands for a finding while the gap is still to be judged. */
export const NOT_JUDGED = "It has not been looked into yet.";

/** What every row of one answer needs to be named. */
export interface GapNames {
  readonly nodes: ReadonlyMap<string, LabelRecord>;
  readonly home: HomeNetworks;
  readonly gateways: ReadonlyMap<number, { readonly eui: string; readonly name: string | null }>;
  /** Name of a gateway by its EUI. */
  readonly gatewayNames: ReadonlyMap<string, string | null>;
  /** Number of a life by its row id. */
  readonly lifeNumber: (lifeId: number) => number;
}

/** The dropouts of a window, newest first, with the episodes that several nodes share. `isCut`: there are more. */
export function gapsOfWindow(store: Store, window: AskedWindow): GapsOfWindow {
  return onceAnAnswer(store, window, "gaps", () => findGaps(store, window));
}

interface GapsOfWindow {
  readonly episodes: readonly EpisodeRow[];
  readonly gaps: readonly DropoutRow[];
  readonly isCut: boolean;
}

function findGaps(store: Store, window: AskedWindow): GapsOfWindow {
  const names = gapNamesOf(store, window);
  const { gaps: stored, outages } = knownGaps(store, window, MAX_GAPS + 1);
  const rows = stored.slice(0, MAX_GAPS).map((gap) => dropoutRow(gap, names, window));
  return {
    ...episodesOf(rows, outages, names, window),
    isCut: stored.length > MAX_GAPS,
  };
}

export function gapsView(store: Store, window: AskedWindow): GapsView {
  const names = gapNamesOf(store, window);
  const { episodes, gaps, isCut } = gapsOfWindow(store, window);
  const counted = knownCounts(store, window);
  const own = summed(counted.filter((one) => !isOfStranger(one, names)));
  const recordedSeconds = recordedUs(store, window) / 1e6;
  return {
    window: windowView(window),
    sentence:
      recordedSeconds === 0 && own.gaps === 0 ? nothingRecorded(window) : gapsSentence(own, episodes, window),
    recordedSeconds,
    counts: { ...summed(counted), own },
    episodes: withMarks(store, episodes),
    gaps: withMarks(store, gaps),
    gapsCut: isCut,
  };
}

/** Recorded time of the window; all of it for a store from before recorded time was kept. */
function recordedUs(store: Store, window: AskedWindow): number {
  const recorded = recordedOf(store, window);
  const isKept = recorded.ranges({ fromUs: 0, toUs: Number.MAX_SAFE_INTEGER }).length > 0;
  return isKept || storedSpanUs(store) === null
    ? totalUs(recorded.ranges(window))
    : window.toUs - window.fromUs;
}

function isOfStranger({ devAddr }: Pick<StoredGap, "devAddr">, { nodes, home }: GapNames): boolean {
  const address = formatDevAddr(devAddr);
  return isStranger(address, nodes.get(address), home);
}

function summed(counted: readonly GapCount[]): GapCounts {
  const sum = (of: (one: GapCount) => number) => counted.reduce((total, one) => total + of(one), 0);
  const byCause: Record<string, number> = {};
  for (const { cause, gaps } of counted) byCause[cause] = (byCause[cause] ?? 0) + gaps;
  return {
    gaps: sum(({ gaps }) => gaps),
    open: sum(({ open }) => open),
    nodes: countDevices(counted),
    missedCounters: sum(({ missed }) => missed),
    byCause,
  };
}

/** The same for the answer of a window. */
export function gapNamesOf(store: Store, window: AskedWindow): GapNames {
  return onceAnAnswer(store, window, "gap names", () => gapNames(store, knownUntilUs(window)));
}

/** `untilUs`: home networks as they were known then. */
export function gapNames(store: Store, untilUs: number): GapNames {
  const nodes = labels(store, "node");
  const named = labels(store, "gateway");
  return {
    nodes,
    home: homeNetworksUntil(store, nodes, untilUs),
    gatewayNames: new Map([...named].map(([eui, { name }]) => [eui, name])),
    gateways: new Map(
      allGateways(store).map(({ id, eui }) => [id, { eui, name: named.get(eui)?.name ?? null }]),
    ),
    lifeNumber: (lifeId) => lifeNumber(store, lifeId) ?? 1,
  };
}

/** A stored dropout as the answers show it. */
export function dropoutRow(gap: StoredGap, names: GapNames, { toUs, live }: AskedWindow): DropoutRow {
  const devAddr = formatDevAddr(gap.devAddr);
  const label = names.nodes.get(devAddr);
  const gateway = gap.gatewayId === null ? undefined : names.gateways.get(gap.gatewayId);
  const open = goesOn(gap);
  // One that goes on reaches to the present of a live window, whenever it was looked at last; else to its end.
  const endUs =
    gap.endedUs ?? (open ? (live ? Math.max(gap.toUs, toUs) : Math.min(gap.toUs, toUs)) : gap.toUs);
  return {
    id: gap.id,
    devAddr,
    life: gap.life,
    name: label?.name ?? null,
    network: networkOf(devAddr),
    stranger: isOfStranger(gap, names),
    scope: gap.scope,
    gateway: gateway?.eui ?? null,
    gatewayName: gateway?.name ?? null,
    episode: null,
    kind: gap.kind,
    open,
    from: isoTime(gap.fromUs),
    to: isoTime(endUs),
    missedCounters: gap.missed,
    firstMissedCounter: gap.firstMissed,
    lastMissedCounter: gap.lastMissed,
    heardCounters: gap.heard,
    expectedByRhythm: expectedUntil(gap, endUs),
    finding: findingOf(gap, names),
  };
}

/** Frames that a gap's rhythm makes due from its begin to the end that is shown, to a tenth; null: not known. */
function expectedUntil({ expected, fromUs, toUs }: StoredGap, endUs: number): number | null {
  if (expected === null) return null;
  const share = toUs > fromUs ? (endUs - fromUs) / (toUs - fromUs) : 1;
  return rounded(expected * share, 1);
}

function findingOf(gap: StoredGap, names: GapNames): Finding {
  if (gap.finding === null) {
    return {
      cause: "unexplained",
      confidence: 0,
      word: "undecided",
      sentence: NOT_JUDGED,
      evidence: [],
      against: [],
      alternatives: [],
      recordNext: [],
    };
  }
  // Written by gap-rows.ts in the contract's form, but for its sentences.
  const stored = JSON.parse(gap.finding) as StoredFinding;
  const nameOf: NameOf = (kind, id) =>
    (kind === "node" ? names.nodes.get(id)?.name : names.gatewayNames.get(id)) ?? null;
  const read = (sentence: NamedText) => sentenceOf(sentence, nameOf);
  const readEvidence = (one: StoredEvidence) => ({ ...one, sentence: read(one.sentence) });
  return {
    ...stored,
    sentence: read(stored.sentence),
    evidence: stored.evidence.map(readEvidence),
    against: stored.against.map(readEvidence),
    cause: gap.cause as Finding["cause"],
    confidence: rounded(gap.confidence, 3),
    word: certaintyOf(gap.cause, gap.confidence),
  };
}

type StoredEvidence = Omit<Finding["evidence"][number], "sentence"> & { readonly sentence: NamedText };
type StoredFinding = Omit<Finding, "cause" | "confidence" | "word" | "sentence" | "evidence" | "against"> & {
  readonly sentence: NamedText;
  readonly evidence: readonly StoredEvidence[];
  readonly against: readonly StoredEvidence[];
};

/** A sentence of an older store is one text, in which a gateway without a name stands as "gateway EUI". */
function sentenceOf(stored: NamedText, nameOf: NameOf): string {
  if (typeof stored !== "string") return renderNamed(stored, nameOf);
  return stored.replace(/[Gg]ateway ([0-9A-F]{16})/g, (text, eui: string) => nameOf("gateway", eui) ?? text);
}
