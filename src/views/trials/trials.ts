/** Which placements are there, how do they compare pair by pair, and what does one pair say in full? */

import type { BenchItem } from "../../contract/index.ts";
import type { TrialAnswer, TrialRow, TrialSide, TrialsView } from "../../contract/trials.ts";
import { awaitedReference, type ReferenceLimits, referenceItems } from "../../diagnosis/bench/reference.ts";
import { clearerP } from "../../diagnosis/trials/verdict.ts";
import { contains } from "../../model/time-range.ts";
import { holmAdjusted } from "../../statistics/proportions.ts";
import type { Store } from "../../store/open.ts";
import { newestFrames, type TrialFrame } from "../../store/queries/trial-frames.ts";
import { type BenchReferenceRow, benchReference } from "../../store/settings.ts";
import { placementRows } from "../user-data.ts";
import { type AskedWindow, windowView } from "../window.ts";
import { type JudgedTrial, judgedTrial } from "./answer.ts";
import { SharedFrames } from "./shared-frames.ts";
import { findSide, MAX_SIDES, pairsOf, type Side, sidesIn } from "./sides.ts";

export { SharedFrames } from "./shared-frames.ts";

/** `pair`: keys or names of the two sides whose answer is wanted in full; null: the first pair. */
export function trialsView(
  store: Store,
  window: AskedWindow,
  pair: { readonly a: string; readonly b: string } | null,
): TrialsView {
  const sides = comparedSides(store, window);
  const { shared, pairs } = sides;
  const isAsked = (a: Side, b: Side, place: number) =>
    pair === null ? place === 0 : a.view.key === pair.a && b.view.key === pair.b;
  const trials = pairs.map(([a, b], place) => judgedTrial(store, window, a, b, shared, isAsked(a, b, place)));
  const asked = trials.find(({ answer }) => answer !== null)?.answer ?? null;
  const answer = asked ?? (pair === null ? null : compareSides(store, window, pair.a, pair.b, shared));
  return { ...viewOf(store, window, sides, trials, answer?.sentence), answer };
}

export interface ReportedTrials {
  readonly view: Omit<TrialsView, "answer">;
  /** In full, in the order of the view. */
  readonly answers: readonly TrialAnswer[];
  /** What was read for them. */
  readonly shared: SharedFrames;
}

/**
 * The trials as a report prints them: all of them where some are shown in full, else the first one's sentence beside the
 * placements. `isShown`: which are, asked in order.
 */
export function reportedTrials(
  store: Store,
  window: AskedWindow,
  isShown: (a: TrialSide, b: TrialSide) => boolean,
): ReportedTrials {
  const sides = comparedSides(store, window);
  const { shared, pairs } = sides;
  const shown = pairs.map(([a, b]) => isShown(a.view, b.view));
  const printed = placementRows(store).length === 0 ? 0 : 1;
  const judged = shown.includes(true) ? pairs : pairs.slice(0, printed);
  const trials = judged.map(([a, b], i) => judgedTrial(store, window, a, b, shared, shown[i] === true));
  return {
    view: viewOf(store, window, sides, trials, trials[0]?.summary.sentence),
    answers: trials.flatMap(({ answer }) => answer ?? []),
    shared,
  };
}

interface ComparedSides {
  readonly shared: SharedFrames;
  readonly all: readonly Side[];
  readonly compared: readonly Side[];
  readonly pairs: readonly (readonly [Side, Side])[];
}

function comparedSides(store: Store, window: AskedWindow): ComparedSides {
  const shared = new SharedFrames(store, window);
  const all = sidesIn(store, window, shared.antennas());
  const compared = chosenSides(store, window, all, shared);
  return { shared, all, compared, pairs: pairsOf(compared) };
}

function viewOf(
  store: Store,
  window: AskedWindow,
  { all, compared }: ComparedSides,
  trials: readonly JudgedTrial[],
  sentence: TrialsView["sentence"] = [{ text: nothingToCompare(all) }],
): Omit<TrialsView, "answer"> {
  const ps = trials.map(({ differences }) => clearerP(differences));
  const adjusted = holmAdjusted(ps);
  return {
    window: windowView(window),
    sentence,
    placements: placementRows(store),
    sides: all.map((side) => side.view),
    trials: trials.map((trial, i) => rowOf(trial, ps[i] ?? null, adjusted[i] ?? null)),
    sidesLeftOut: all.length - compared.length,
  };
}

/** One trial by the names of its sides; null: a side is not known. `shared`: what was read for others of the window. */
export function compareSides(
  store: Store,
  window: AskedWindow,
  a: string,
  b: string,
  shared = new SharedFrames(store, window),
): TrialAnswer | null {
  const { one, other } = sidesNamed(store, window, a, b, shared);
  return one === null || other === null ? null : judgedTrial(store, window, one, other, shared, true).answer;
}

/** The sides that two texts mean; null: there is none. `sides`: all of the window. */
export function sidesNamed(
  store: Store,
  window: AskedWindow,
  a: string,
  b: string,
  shared = new SharedFrames(store, window),
): { readonly one: Side | null; readonly other: Side | null; readonly sides: readonly Side[] } {
  const heard = shared.antennas();
  const sides = sidesIn(store, window, heard);
  const named = (text: string) => findSide(store, text, sides, heard);
  return { one: named(a), other: named(b), sides };
}

/**
 * Named placements are what a person asks about; without any, the gateways and antennas as they are. The two that heard
 * most of the same frames come first: they settle soonest.
 */
function chosenSides(store: Store, window: AskedWindow, all: readonly Side[], shared: SharedFrames): Side[] {
  const placed = all.filter(({ view, heard }) => view.placed && heard);
  if (placed.length >= 2) return mostShared(store, window, placed, shared);
  const antennas = all.filter(({ view }) => !view.placed && view.antenna !== null);
  const gateways = all.filter(({ view }) => !view.placed && view.antenna === null);
  const plain = gateways.length + placed.length >= 2 ? gateways : antennas;
  return mostShared(store, window, [...placed, ...plain], shared);
}

/** Newest frames by which sides are chosen. */
const MAX_FRAMES_LOOKED_AT = 5_000;

/**
 * The sides to compare, at most `MAX_SIDES`: the pair that heard most of the same frames, then each time the one that shares most with those.
 * Sides that share nothing follow as they stand, of placements the newest.
 */
function mostShared(store: Store, window: AskedWindow, sides: readonly Side[], frames: SharedFrames): Side[] {
  if (sides.length <= 2) return [...sides];
  const fromUs = newestFrames(store, window, MAX_FRAMES_LOOKED_AT);
  const shared = sharedFrames(
    frames.frames().filter(({ atUs }) => atUs >= fromUs),
    sides,
  );
  const chosen: number[] = [];
  let left = sides.map((_, index) => index);
  while (left.length > 0 && chosen.length < MAX_SIDES) {
    const withOthers = (index: number) =>
      (chosen.length === 0 ? left : chosen).reduce(
        (most, other) => (other === index ? most : Math.max(most, shared.get(pairKey(index, other)) ?? 0)),
        0,
      );
    const most = Math.max(...left.map(withOthers));
    if (most === 0) break;
    const next = left.find((index) => withOthers(index) === most) ?? 0;
    chosen.push(next);
    left = left.filter((index) => index !== next);
  }
  const room = MAX_SIDES - chosen.length;
  const rest = room > 0 ? left.slice(-room) : [];
  return [...chosen, ...rest].flatMap((index) => sides[index] ?? []);
}

/** How many frames each two of these sides both heard, by `pairKey` of their places in the list. */
function sharedFrames(frames: readonly TrialFrame[], sides: readonly Side[]): Map<string, number> {
  const counts = new Map<string, number>();
  for (const { atUs, hearings } of frames) {
    const heard = sides.flatMap(({ gatewayId, antenna, stretches }, index) =>
      hearings.some((one) => one.gatewayId === gatewayId && (antenna === null || one.antenna === antenna)) &&
      contains(stretches, atUs)
        ? [index]
        : [],
    );
    heard.forEach((one, i) => {
      for (const other of heard.slice(i + 1)) {
        const key = pairKey(one, other);
        counts.set(key, (counts.get(key) ?? 0) + 1);
      }
    });
  }
  return counts;
}

function pairKey(one: number, other: number): string {
  return `${Math.min(one, other)}~${Math.max(one, other)}`;
}

/** A pair among many is better only if it stands out among them all. */
function rowOf({ summary }: JudgedTrial, p: number | null, adjustedP: number | null): TrialRow {
  const isBetter = summary.verdict === "a" || summary.verdict === "b";
  const verdict = isBetter && (adjustedP ?? 1) > 0.05 ? "not enough" : summary.verdict;
  return {
    id: `${summary.a.key}~${summary.b.key}`,
    a: summary.a.key,
    b: summary.b.key,
    paired: summary.paired,
    snrDifferenceDb: summary.snrDifferenceDb,
    deliveryDifference: summary.deliveryDifference,
    p,
    adjustedP,
    verdict,
    words: summary.sentence.map(({ text }) => text).join(""),
  };
}

function nothingToCompare(all: readonly Side[]): string {
  if (all.length === 0) return "Nothing was heard in this window, so there is nothing to compare.";
  return "One gateway with one antenna stood in one place: name a second place, or let a second gateway listen, and the two are compared here.";
}

// A gateway on the bench beside a known good one: what the comparison adds to its list.

export interface Reference {
  readonly eui: string;
  readonly limits: ReferenceLimits;
}

/** The reference that was set for the bench. */
export function referenceSet(store: Store): Reference | null {
  const row = benchReference(store);
  return row === null
    ? null
    : { eui: row.eui, limits: { offsetDb: row.maxOffsetDb, loss: row.maxLossPoints / 100 } };
}

/** The same as a person sets and reads it. */
export function referenceRow({ eui, limits }: Reference): BenchReferenceRow {
  return {
    eui,
    maxOffsetDb: limits.offsetDb,
    // A hundredth of a point is as much as anybody can mean.
    maxLossPoints: Math.round(limits.loss * 10_000) / 100,
  };
}

/** Nothing for the reference itself. `referenceName`: what people call it; null: nothing. `shared`: as for compareSides. */
export function itemsAgainst(
  store: Store,
  window: AskedWindow,
  eui: string,
  reference: Reference,
  referenceName: string | null,
  shared?: SharedFrames,
): BenchItem[] {
  if (eui === reference.eui) return [];
  const answer = compareSides(store, window, eui, reference.eui, shared);
  return answer === null
    ? [awaitedReference(referenceName ?? reference.eui, reference.limits)]
    : referenceItems(answer, reference.limits);
}
