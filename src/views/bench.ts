/** One gateway on the bench: its checks, its verdict, and what it sent last. */
import type { BenchReference, BenchRow, BenchTable, BenchView } from "../contract/index.ts";
import { awaitedOf, benchSentence, benchVerdict, judgeBench } from "../diagnosis/bench/judge.ts";
import { isoTime } from "../model/window.ts";
import type { Store } from "../store/open.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import { type BenchGiven, benchEvidence } from "./bench-evidence.ts";
import { benchFeed } from "./bench-feed.ts";
import { identifierNotices } from "./identifier-notices.ts";
import { itemsAgainst, type Reference, referenceRow, referenceSet } from "./trials/reference-items.ts";
import { type AskedWindow, knownEndUs, knownUntilUs, windowView } from "./window.ts";

export interface BenchOptions extends BenchGiven {
  /** What to measure against; null: nothing. Left out: the reference that was set for the bench, if any. */
  readonly reference?: Reference | null;
}

/** Gateways offered as a reference, those heard last. */
const MOST_OTHERS = 100;

/** null: no gateway of that identifier was ever heard. */
export function benchView(
  store: Store,
  window: AskedWindow,
  eui: string,
  options: BenchOptions = {},
): BenchView | null {
  const gateways = allGateways(store, knownUntilUs(window));
  const gateway = gateways.find((one) => one.eui === eui);
  if (gateway === undefined) return null;
  const endUs = knownEndUs(store, window);
  const names = labels(store, "gateway");
  const nameOf = (one: string) => names.get(one)?.name ?? null;
  const reference = options.reference === undefined ? referenceSet(store) : options.reference;
  const items = [
    ...judgeBench(benchEvidence(store, gateway, window, endUs, options)),
    ...(reference === null ? [] : itemsAgainst(store, window, eui, reference, nameOf(reference.eui))),
  ];
  const name = nameOf(eui);
  return {
    window: windowView(window),
    eui,
    name,
    source: gateway.pullSource ?? gateway.pushSource,
    firstHeard: isoTime(gateway.firstAtUs),
    lastHeard: isoTime(gateway.lastAtUs),
    verdict: benchVerdict(items),
    sentence: benchSentence(name ?? `Gateway ${eui}`, items),
    awaited: awaitedOf(items),
    expected: options.expected?.label ?? null,
    items,
    notices: identifierNotices(store, { fromUs: window.fromUs, toUs: window.toUs + 1 }, eui),
    reference: reference === null ? null : { ...referenceRow(reference), name: nameOf(reference.eui) },
    others: newestFirst(gateways)
      .filter((other) => other !== eui)
      .slice(0, MOST_OTHERS)
      .map((other) => ({ eui: other, name: nameOf(other) })),
    feed: benchFeed(store, gateway.id, window),
  };
}

/** Every gateway that was ever heard, with its verdict and first fault: those that fail first. */
export function benchTable(store: Store, window: AskedWindow, options: BenchOptions = {}): BenchTable {
  const rows = knownGateways(store).flatMap((eui) => {
    const view = benchView(store, window, eui, options);
    return view === null ? [] : [rowOf(view)];
  });
  const order = ["fail", "warn", "waiting", "pass"];
  return {
    window: windowView(window),
    gateways: rows.sort((a, b) => order.indexOf(a.verdict) - order.indexOf(b.verdict)),
  };
}

function rowOf({ eui, name, lastHeard, verdict, items }: BenchView): BenchRow {
  const of = (state: BenchRow["verdict"]) => items.filter((item) => item.state === state);
  const fault = of("fail")[0] ?? of("warn")[0] ?? null;
  return {
    eui,
    name,
    lastHeard,
    verdict,
    failed: of("fail").length,
    warned: of("warn").length,
    passed: of("pass").length,
    waiting: of("waiting").length,
    fault:
      fault === null
        ? null
        : {
            id: fault.id,
            title: fault.title,
            state: fault.state,
            reason: fault.reason,
            advice: fault.advice,
          },
  };
}

/** The reference that was set for the bench, with its name. */
export function benchReferenceView(store: Store): BenchReference | null {
  const reference = referenceSet(store);
  if (reference === null) return null;
  const name = labels(store, "gateway").get(reference.eui)?.name ?? null;
  return { ...referenceRow(reference), name };
}

/** Identifiers of all gateways heard, newest first. */
export function knownGateways(store: Store): string[] {
  return newestFirst(allGateways(store));
}

function newestFirst(gateways: readonly GatewayRecord[]): string[] {
  return [...gateways].sort((a, b) => b.lastAtUs - a.lastAtUs).map(({ eui }) => eui);
}
