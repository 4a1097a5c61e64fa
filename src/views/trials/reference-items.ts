/** A gateway on the bench beside a known good one: what the comparison adds to its list. */
import type { BenchItem } from "../../contract/index.ts";
import { awaitedReference, type ReferenceLimits, referenceItems } from "../../diagnosis/bench/reference.ts";
import { type BenchReferenceRow, benchReference } from "../../store/bench-reference.ts";
import type { Store } from "../../store/open.ts";
import type { AskedWindow } from "../window.ts";
import { compareSides } from "./trials-view.ts";

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
