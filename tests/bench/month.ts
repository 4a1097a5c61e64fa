/**
 * How long does each view take over one day, and over all days, of a store of months? Beside a bare read of the same
 * receptions. Processor time of one connection that asks for the first time, so that other programs on the machine
 * count for little; and of one that asks for the day again and again as it moves with the clock, as a dashboard does. `--size=0.15|1.5|10` (millions of receptions; 1.5 unless told), `--view=NAME` for one view alone.
 */
import { statSync } from "node:fs";
import { openReader, type Store } from "../../src/store/open.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { capacityView } from "../../src/views/capacity.ts";
import { gapsView } from "../../src/views/gaps.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { joinsView } from "../../src/views/joins.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { planView } from "../../src/views/plan.ts";
import { receiverView } from "../../src/views/receiver.ts";
import { reportData } from "../../src/views/report.ts";
import { siteView } from "../../src/views/site.ts";
import { strangersView } from "../../src/views/strangers.ts";
import { trialsView } from "../../src/views/trials/trials.ts";
import { type AskedWindow, resolveWindow } from "../../src/views/window.ts";
import { quantile } from "./busy-gateways.ts";
import { GATEWAYS, MONTH_SIZES, monthStore } from "./month-store.ts";
import { progress, row, wordOf } from "./programs.ts";
import type { BenchResult } from "./run.ts";

const DAY_US = 86_400_000_000;
const ROUNDS = 3;
/** Answers to a window that moves with the clock, and by how much each moves on. */
const MOVES = 20;
const MOVE_US = 2_000_000;
/** A view that takes longer than this is not measured again. */
const LONG_MS = 4_000;

const VIEWS: Readonly<Record<string, (store: Store, window: AskedWindow) => unknown>> = {
  site: (store, window) => siteView(store, window),
  gateways: (store, window) => gatewaysView(store, window),
  nodes: (store, window) => nodesView(store, window),
  joins: (store, window) => joinsView(store, window),
  node: (store, window) => nodePage(store, window, "01000007", 1),
  air: (store, window) => airView(store, window),
  gaps: (store, window) => gapsView(store, window),
  bench: (store, window) => benchView(store, window, GATEWAYS[0] ?? ""),
  plan: (store, window) => planView(store, window, []),
  capacity: (store, window) => capacityView(store, window),
  strangers: (store, window) => strangersView(store, window),
  receiver: (store, window) => receiverView(store, window, GATEWAYS[0] ?? ""),
  trials: (store, window) => trialsView(store, window, null),
  report: (store, window) =>
    reportData(store, { window, timeZone: "UTC", version: "bench", madeAt: "2026-04-14T00:00:00.000Z" }),
};

export function benchMonth(): BenchResult[] {
  const size = wordOf("size") ?? "1.5";
  const only = wordOf("view");
  const path = monthStore(size, progress);
  const days = MONTH_SIZES[size]?.days ?? 1;
  const results: BenchResult[] = [];
  for (const span of [1, days]) {
    const floor = least(path, span, (store, window) => bareRead(store, window));
    for (const [name, view] of Object.entries(VIEWS)) {
      if (only !== null && only !== name) continue;
      const measured = least(path, span, view);
      results.push(row(`${name}, ${span} d of ${size} million, CPU ms`, floor, measured));
      if (span === 1) results.push(row(`${name}, a day that moves, CPU ms`, floor, whileItMoves(path, view)));
    }
  }
  const peakMb = process.resourceUsage().maxRSS / 1024;
  results.push(row("peak memory MB, of 200", 200, peakMb));
  results.push(row("octets a reception, of 150", 150, octetsAReception(path)));
  return results;
}

/** All included. */
function octetsAReception(path: string): number {
  const store = openReader(path);
  const receptions = Number(store.prepare("SELECT count(*) FROM reception").pluck().get());
  store.close();
  return statSync(path).size / receptions;
}

/** Milliseconds of processor time, the least of some rounds, each over a connection of its own. */
function least(path: string, days: number, view: (store: Store, window: AskedWindow) => unknown): number {
  let bestMs = Number.POSITIVE_INFINITY;
  for (let round = 0; round < ROUNDS; round++) {
    const store = openReader(path);
    const stored = storedSpanUs(store);
    if (stored === null) throw new Error("The store is empty.");
    const window = resolveWindow({}, 0, {
      fromUs: Math.max(stored.fromUs, stored.toUs - days * DAY_US),
      toUs: stored.toUs,
    });
    const before = process.cpuUsage();
    store.transaction(() => view(store, window))();
    const { user, system } = process.cpuUsage(before);
    store.close();
    const tookMs = (user + system) / 1000;
    bestMs = Math.min(bestMs, tookMs);
    if (tookMs > LONG_MS) break;
  }
  return bestMs;
}

/** Milliseconds of processor time, the median of the last answers to one connection that asks again every two seconds. */
function whileItMoves(path: string, view: (store: Store, window: AskedWindow) => unknown): number {
  const store = openReader(path);
  const endUs = storedSpanUs(store)?.toUs ?? 0;
  const tookMs = Array.from({ length: MOVES }, (_, i) => {
    const toUs = endUs - (MOVES - i) * MOVE_US;
    const before = process.cpuUsage();
    store.transaction(() => view(store, { fromUs: toUs - DAY_US, toUs, live: true }))();
    const { user, system } = process.cpuUsage(before);
    return (user + system) / 1000;
  });
  store.close();
  return quantile(tookMs.slice(MOVES / 2), 0.5);
}

function bareRead(store: Store, { fromUs, toUs }: AskedWindow): unknown {
  return store
    .prepare(
      `SELECT count(*), sum(rssi_tenths), sum(length(payload)) FROM reception INDEXED BY reception_by_time
       WHERE at_us >= ? AND at_us < ?`,
    )
    .get(fromUs, toUs);
}
