/**
 * Which dropouts does a window's answer rest on? The stored ones for a live window and for one at the end of what is
 * stored. An earlier one is answered by what was known when its context ended: later traffic changes nothing in it.
 */
import { judgeGap } from "../diagnosis/findings/judge.ts";
import { gapsAsKnown, type KnownGaps } from "../store/gaps/gaps-as-known.ts";
import type { Store } from "../store/open.ts";
import { countGaps, type GapCount, gapCounts, gapsInWindow, outagesInWindow } from "../store/queries/gaps.ts";
import { storedSpanUs } from "../store/queries/lives.ts";
import { storeVersion } from "../store/queries/statement.ts";
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
  const knownUs = storedSpanUs(store, untilUs)?.toUs;
  if (knownUs === undefined) return { gaps: [], outages: [] };
  const key = `${window.fromUs}/${window.toUs}/${storeVersion(store)}`;
  const before = last.get(store);
  if (before?.key === key) return before.known;
  const known = gapsAsKnown(store, window, knownUs, judgeGap);
  last.set(store, { key, known });
  return known;
}
