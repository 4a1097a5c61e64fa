/** The dropouts of a window: one row a node's gap with its finding, and the episodes that several nodes share. */
import type { DropoutRow, EpisodeRow, Finding, GapCounts, GapsView } from "../contract/gaps.ts";
import { gapsSentence, nothingRecorded } from "../diagnosis/gap-sentences.ts";
import { countDevices } from "../diagnosis/status.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { rounded } from "../model/rounding.ts";
import { type NamedText, type NameOf, renderNamed } from "../model/text.ts";
import { isoTime, totalUs } from "../model/time-range.ts";
import type { Store } from "../store/open.ts";
import { type GapCount, goesOn, type StoredGap } from "../store/queries/gaps.ts";
import { storedSpanUs } from "../store/queries/lives.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { certaintyOf } from "../words/causes.ts";
import { episodesOf } from "./episodes.ts";
import { isStranger } from "./home-networks.ts";
import { type GapNames, gapNamesOf, knownCounts, knownGaps, withMarks } from "./known-gaps.ts";
import { type AskedWindow, recordedOf, windowView } from "./window.ts";

export const MAX_GAPS = 2_000;

/** What stands for a finding while the gap is still to be judged. */
export const NOT_JUDGED = "It has not been looked into yet.";

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
