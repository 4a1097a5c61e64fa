/** Which placements are there, how do they compare pair by pair, and what does one pair say in full? */
import type { TrialAnswer, TrialRow, TrialsView } from "../../contract/trials.ts";
import { clearerP } from "../../diagnosis/trials/verdict.ts";
import { holmAdjusted } from "../../statistics/holm.ts";
import type { Store } from "../../store/open.ts";
import { placementRows } from "../placements.ts";
import { type AskedWindow, windowView } from "../window.ts";
import { findSide, MOST_SIDES, pairsOf, type Side, sidesIn } from "./sides.ts";
import { type JudgedTrial, judgedTrial } from "./trial-answer.ts";

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
  if (placed.length >= 2) return placed.slice(-MOST_SIDES);
  const antennas = all.filter(({ view }) => !view.placed && view.antenna !== null);
  const gateways = all.filter(({ view }) => !view.placed && view.antenna === null);
  const plain = gateways.length + placed.length >= 2 ? gateways : antennas;
  return [...placed, ...plain].slice(0, MOST_SIDES);
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
