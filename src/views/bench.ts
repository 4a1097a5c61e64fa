/** One gateway on the bench: its checks, its verdict, and what it sent last. */
import type { BenchItem, BenchView } from "../contract/index.ts";
import { benchSentence, benchVerdict, judgeBench } from "../diagnosis/bench/judge.ts";
import { isoTime } from "../model/window.ts";
import type { Store } from "../store/open.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels, storedSpanUs } from "../store/queries/lives.ts";
import { type BenchGiven, benchEvidence } from "./bench-evidence.ts";
import { benchFeed } from "./bench-feed.ts";
import { type AskedWindow, windowView } from "./window.ts";

export interface BenchOptions extends BenchGiven {
  /** Checks that others made, shown after these: a comparison with a reference gateway, say. */
  readonly extraItems?: readonly BenchItem[];
}

/** null: no gateway of that identifier was ever heard. */
export function benchView(
  store: Store,
  window: AskedWindow,
  eui: string,
  options: BenchOptions = {},
): BenchView | null {
  const gateway = allGateways(store).find((one) => one.eui === eui);
  if (gateway === undefined) return null;
  const storedTo = storedSpanUs(store)?.toUs ?? window.toUs;
  const endUs = window.live ? window.toUs : Math.min(window.toUs, storedTo);
  const items = [
    ...judgeBench(benchEvidence(store, gateway, window, endUs, options)),
    ...(options.extraItems ?? []),
  ];
  const name = labels(store, "gateway").get(eui)?.name ?? null;
  return {
    window: windowView(window),
    eui,
    name,
    source: gateway.pullSource ?? gateway.pushSource,
    firstHeard: isoTime(gateway.firstAtUs),
    lastHeard: isoTime(gateway.lastAtUs),
    verdict: benchVerdict(items),
    sentence: benchSentence(name ?? `Gateway ${eui}`, items),
    items,
    feed: benchFeed(store, gateway.id, window),
  };
}

/** Identifiers of all gateways heard, newest first. */
export function knownGateways(store: Store): string[] {
  return allGateways(store)
    .sort((a, b) => b.lastAtUs - a.lastAtUs)
    .map(({ eui }) => eui);
}
