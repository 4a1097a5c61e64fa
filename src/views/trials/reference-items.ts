/** A gateway on the bench beside a known good one: what the comparison adds to its list. */
import type { BenchItem } from "../../contract/index.ts";
import { type ReferenceLimits, referenceItems } from "../../diagnosis/bench/reference.ts";
import type { Store } from "../../store/open.ts";
import type { AskedWindow } from "../window.ts";
import { compareSides } from "./trials-view.ts";

export interface Reference {
  readonly eui: string;
  readonly limits: ReferenceLimits;
}

/** Nothing without a reference; null: no gateway of that identifier was ever heard. */
export function itemsAgainst(
  store: Store,
  window: AskedWindow,
  eui: string,
  reference: Reference | null,
): BenchItem[] | null {
  if (reference === null) return [];
  const answer = compareSides(store, window, eui, reference.eui);
  return answer === null ? null : referenceItems(answer, reference.limits);
}
