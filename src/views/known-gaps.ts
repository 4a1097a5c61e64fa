/**
 * Which dropouts does a window's answer rest on? The stored ones for a live window and for one at the end of what is
 * stored. An earlier one is answered by what was known when its context ended: later traffic changes nothing in it.
 */
import type { DropoutRow, EpisodeRow, MarkAtBegin } from "../contract/gaps.ts";
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { beginsAtMark, type DropoutBegin, earliestMarkUs } from "../diagnosis/gap-sentences.ts";
import { isoTime } from "../model/time-range.ts";
import { gapsAsKnown, type KnownGaps } from "../store/gaps/gaps-as-known.ts";
import type { Store } from "../store/open.ts";
import { countGaps, type GapCount, gapCounts, gapsInWindow, outagesInWindow } from "../store/queries/gaps.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { type LabelRecord, labels, lifeNumber, storedSpanUs } from "../store/queries/lives.ts";
import { onceAnAnswer, storeVersion } from "../store/queries/statement.ts";
import { removedToUs } from "../store/retention.ts";
import { marksIn } from "../store/user-data.ts";
import { type HomeNetworks, homeNetworksUntil } from "./home-networks.ts";
import { type AskedWindow, knownUntilUs } from "./window.ts";

/** The answer asked for last: several views of one page ask for the same window. */
const last = new WeakMap<Store, { readonly key: string; readonly known: KnownGaps }>();

/** The dropouts and outages that touch a window, newest first, at most `most`. */
export function knownGaps(store: Store, window: AskedWindow, most: number): KnownGaps {
  const earlier = earlierGaps(store, window);
  return earlier === null
    ? { gaps: gapsInWindow(store, window, most), outages: outagesInWindow(store, window) }
    : { ...earlier, gaps: earlier.gaps.slice(0, most) };
}

/** The same counted by address, life and cause, however many there are. */
export function knownCounts(store: Store, window: AskedWindow): GapCount[] {
  const earlier = earlierGaps(store, window);
  return earlier === null ? gapCounts(store, window) : countGaps(earlier.gaps);
}

/** null: what is stored ends before the window's context does, so that the stored rows are the answer. */
export function earlierGaps(store: Store, window: AskedWindow): KnownGaps | null {
  const untilUs = knownUntilUs(window);
  const newestUs = storedSpanUs(store)?.toUs;
  if (newestUs === undefined || newestUs <= untilUs) return null;
  // What was known then cannot be worked out from what was removed: what is known now.
  if (untilUs < removedToUs(store)) return null;
  const knownUs = storedSpanUs(store, untilUs)?.toUs;
  if (knownUs === undefined) return { gaps: [], outages: [] };
  const key = `${window.fromUs}/${window.toUs}/${storeVersion(store)}`;
  const before = last.get(store);
  if (before?.key === key) return before.known;
  const known = gapsAsKnown(store, window, knownUs, judgeGap);
  last.set(store, { key, known });
  return known;
}

// Which dropouts begin at a mark that a person pinned?

/** Marks that are looked through. */
const MAX_MARKS = 500;
const SLACK_US = 6 * 3_600_000_000;

/** The same rows, each with the mark at which it begins, or null. */
export function withMarks<Row extends DropoutRow | EpisodeRow>(store: Store, rows: readonly Row[]): Row[] {
  const begins = rows.map(beginOfRow);
  const fromUs = Math.min(...begins.map(earliestMarkUs));
  const toUs = Math.max(...begins.map((begin) => begin.toUs)) + SLACK_US;
  const marks = rows.length === 0 ? [] : marksIn(store, { fromUs, toUs }, MAX_MARKS);
  return rows.map((row, at) => {
    const begin = begins[at];
    const found = begin === undefined || marks.length === 0 ? null : beginsAtMark(begin, marks);
    const mark: MarkAtBegin | null =
      found === null ? null : { id: found.id, at: isoTime(found.atUs), text: found.text };
    return { ...row, mark };
  });
}

export function withMark(store: Store, row: DropoutRow): DropoutRow {
  return withMarks(store, [row])[0] ?? row;
}

function beginOfRow(row: DropoutRow | EpisodeRow): DropoutBegin {
  const common = {
    fromUs: Date.parse(row.from) * 1000,
    toUs: Date.parse(row.to) * 1000,
    gatewayEui: row.gateway,
  };
  if ("kind" in row) {
    const expected = Math.max(row.missedCounters, row.expectedByRhythm ?? 0);
    return { ...common, kind: row.kind, expected, devAddr: row.devAddr };
  }
  return {
    ...common,
    kind: "counters",
    expected: row.missedCounters / Math.max(1, row.nodes),
    devAddr: null,
  };
}

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
