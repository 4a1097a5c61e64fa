/** Which placements are there, how do they compare pair by pair, and what does one pair say in full? */

import type { BenchItem } from "../../contract/index.ts";
import type { TrialAnswer, TrialRow, TrialsView } from "../../contract/trials.ts";
import { awaitedReference, type ReferenceLimits, referenceItems } from "../../diagnosis/bench/reference.ts";
import { clearerP } from "../../diagnosis/trials/verdict.ts";
import { holmAdjusted } from "../../statistics/proportions.ts";
import type { Store } from "../../store/open.ts";
import { type BenchReferenceRow, benchReference } from "../../store/user-data.ts";
import { placementRows } from "../user-data.ts";
import { type AskedWindow, windowView } from "../window.ts";
import { type JudgedTrial, judgedTrial } from "./answer.ts";
import { findSide, MAX_SIDES, pairsOf, type Side, sidesIn } from "./sides.ts";

/** `pair`: keys or names of the two sides whose answer is wanted in full; null: the first pair. */
export function trialsView(
  store: Store,
  window: AskedWindow,
  pair: { readonly a: string; readonly b: string } | null,
): TrialsView {
  const all = sidesIn(store, window);
  const compared = chosenSides(all);
  const trials = pairsOf(compared).map(([a, b]) => judgedTrial(store, window, a, b));
  const ps = trials.map(({ differences }) => clearerP(differences));
  const adjusted = holmAdjusted(ps);
  const rows = trials.map((trial, i) => rowOf(trial, ps[i] ?? null, adjusted[i] ?? null));
  const answer = pair === null ? (trials[0]?.answer ?? null) : compareSides(store, window, pair.a, pair.b);
  return {
    window: windowView(window),
    sentence: answer?.sentence ?? [{ text: nothingToCompare(all) }],
    placements: placementRows(store),
    sides: all.map(({ view }) => view),
    trials: rows,
    sidesLeftOut: all.length - compared.length,
    answer,
  };
}

/** One trial by the names of its sides; null: a side is not known. */
export function compareSides(store: Store, window: AskedWindow, a: string, b: string): TrialAnswer | null {
  const one = findSide(store, window, a);
  const other = findSide(store, window, b);
  return one === null || other === null ? null : judgedTrial(store, window, one, other).answer;
}

/** Named placements are what a person asks about; without any, the gateways and antennas as they are. */
function chosenSides(all: readonly Side[]): Side[] {
  const placed = all.filter(({ view, heard }) => view.placed && heard);
  if (placed.length >= 2) return placed.slice(-MAX_SIDES);
  const antennas = all.filter(({ view }) => !view.placed && view.antenna !== null);
  const gateways = all.filter(({ view }) => !view.placed && view.antenna === null);
  const plain = gateways.length + placed.length >= 2 ? gateways : antennas;
  return [...placed, ...plain].slice(0, MAX_SIDES);
}

/** A pair among many is better only if it stands out among them all. */
function rowOf({ answer }: JudgedTrial, p: number | null, adjustedP: number | null): TrialRow {
  const isBetter = answer.verdict === "a" || answer.verdict === "b";
  const verdict = isBetter && (adjustedP ?? 1) > 0.05 ? "not enough" : answer.verdict;
  return {
    id: `${answer.a.key}~${answer.b.key}`,
    a: answer.a.key,
    b: answer.b.key,
    paired: answer.paired,
    snrDifferenceDb: answer.snrDifferenceDb,
    deliveryDifference: answer.deliveryDifference,
    p,
    adjustedP,
    verdict,
    words: answer.sentence.map(({ text }) => text).join(""),
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

/** Nothing for the reference itself. `referenceName`: what people call it; null: nothing. */
export function itemsAgainst(
  store: Store,
  window: AskedWindow,
  eui: string,
  reference: Reference,
  referenceName: string | null,
): BenchItem[] {
  if (eui === reference.eui) return [];
  const answer = compareSides(store, window, eui, reference.eui);
  return answer === null
    ? [awaitedReference(referenceName ?? reference.eui, reference.limits)]
    : referenceItems(answer, reference.limits);
}
