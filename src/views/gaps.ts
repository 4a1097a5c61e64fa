/** The dropouts of a window: one row a node's gap with its finding, and the episodes that several nodes share. */
import type { DropoutRow, EpisodeRow, Finding, GapsView } from "../contract/gaps.ts";
import { gapsSentence } from "../diagnosis/gap-words.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { isoTime } from "../model/window.ts";
import type { Store } from "../store/open.ts";
import type { StoredGap } from "../store/queries/gaps.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { type LabelRecord, labels, lifeNumber } from "../store/queries/lives.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { certaintyOf } from "../words/certainty.ts";
import { episodesOf } from "./gap-episodes.ts";
import { withMarks } from "./gap-marks.ts";
import { type HomeNetworks, homeNetworksUntil, isStranger } from "./home-networks.ts";
import { knownCounts, knownGaps } from "./known-gaps.ts";
import { type AskedWindow, knownUntilUs, windowView } from "./window.ts";

export const MOST_GAPS = 2_000;

/** What stands for a finding while the gap is still to be judged. */
export const NOT_JUDGED = "It has not been looked into yet.";

/** What every row of one answer needs to be named. */
export interface GapNames {
  readonly nodes: ReadonlyMap<string, LabelRecord>;
  readonly home: HomeNetworks;
  readonly gateways: ReadonlyMap<number, { readonly eui: string; readonly name: string | null }>;
  /** Number of a life by its row id. */
  readonly lifeNumber: (lifeId: number) => number;
}

/** The dropouts of a window, newest first, with the episodes that several nodes share. `isCut`: there are more. */
export function gapsOfWindow(
  store: Store,
  window: AskedWindow,
  names = gapNames(store, knownUntilUs(window)),
): { episodes: EpisodeRow[]; gaps: DropoutRow[]; isCut: boolean } {
  const { gaps: stored, outages } = knownGaps(store, window, MOST_GAPS + 1);
  const rows = stored.slice(0, MOST_GAPS).map((gap) => dropoutRow(gap, names, window));
  return {
    ...episodesOf(rows, outages, names, window),
    isCut: stored.length > MOST_GAPS,
  };
}

export function gapsView(store: Store, window: AskedWindow): GapsView {
  const { episodes, gaps, isCut } = gapsOfWindow(store, window);
  const { byCause: counted, lives } = knownCounts(store, window);
  const sum = (of: (one: (typeof counted)[number]) => number) =>
    counted.reduce((total, one) => total + of(one), 0);
  const counts = {
    gaps: sum((one) => one.gaps),
    open: sum((one) => one.open),
    nodes: lives,
    missedCounters: sum((one) => one.missed),
    byCause: Object.fromEntries(counted.map(({ cause, gaps: n }) => [cause, n])),
  };
  return {
    window: windowView(window),
    sentence: gapsSentence(
      gaps.filter(({ stranger }) => !stranger),
      episodes,
      window,
    ),
    counts,
    episodes: withMarks(store, episodes),
    gaps: withMarks(store, gaps),
    gapsCut: isCut,
  };
}

/** `untilUs`: home networks as they were known then. */
export function gapNames(store: Store, untilUs: number): GapNames {
  const nodes = labels(store, "node");
  const named = labels(store, "gateway");
  return {
    nodes,
    home: homeNetworksUntil(store, nodes, untilUs),
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
  const open = gap.open === 1 && gap.endedUs === null;
  // One that goes on reaches to the present of a live window, whenever it was looked at last; else to its end.
  const endUs =
    gap.endedUs ?? (open ? (live ? Math.max(gap.toUs, toUs) : Math.min(gap.toUs, toUs)) : gap.toUs);
  return {
    id: gap.id,
    devAddr,
    life: gap.life,
    name: label?.name ?? null,
    network: networkOf(devAddr),
    stranger: isStranger(devAddr, label, names.home),
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
    expectedByRhythm: gap.expected === null ? null : Math.round(gap.expected * 10) / 10,
    finding: findingOf(gap, names),
  };
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
  // Written by finding-text.ts in the contract's form.
  const text = JSON.parse(named(gap.finding, names)) as Omit<Finding, "cause" | "confidence" | "word">;
  return {
    ...text,
    cause: gap.cause as Finding["cause"],
    confidence: Math.round(gap.confidence * 1000) / 1000,
    word: certaintyOf(gap.cause, gap.confidence),
  };
}

/** Findings are kept with identifiers, since people rename gateways: they are told by the names of today. */
function named(finding: string, { gateways }: GapNames): string {
  let words = finding;
  for (const { eui, name } of gateways.values()) {
    if (name === null || !words.includes(eui)) continue;
    const inJson = JSON.stringify(name).slice(1, -1);
    // Only where a sentence speaks of it; the links to receptions keep the identifier.
    words = words.replace(new RegExp(`[Gg]ateway ${eui}`, "g"), () => inJson);
  }
  return words;
}
