/**
 * How long do the views of a store take that is full of invented identifiers: 4,096 gateways and 20,000 counter lives
 * in one hour? Beside a bare read of the same frames with their receptions.
 */
import { framesInWindow } from "../../src/store/queries/frames.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { resolveWindow } from "../../src/views/window.ts";
import { CROWD_FROM_US, CROWD_HOUR_US, crowdedStore, TRUE_GATEWAY } from "../store/crowded-store.ts";
import type { BenchResult } from "./run.ts";

const ROUNDS = 5;

export function benchCrowd(): BenchResult[] {
  const store = crowdedStore({ gateways: 4096, lives: 20_000 });
  const window = resolveWindow({ last: 3600 }, CROWD_FROM_US + CROWD_HOUR_US, storedSpanUs(store));
  const floor = medianMs(() => framesInWindow(store, window));
  const views = {
    site: () => siteView(store, window),
    nodes: () => nodesView(store, window),
    air: () => airView(store, window),
    bench: () => benchView(store, window, TRUE_GATEWAY),
  };
  return Object.entries(views).map(([name, view]) => {
    const measured = medianMs(view);
    return { name: `${name} of a crowded store, median ms`, floor, measured, ratio: measured / floor };
  });
}

function medianMs(work: () => unknown): number {
  const times: number[] = [];
  for (let i = 0; i < ROUNDS; i++) {
    const fromMs = performance.now();
    work();
    times.push(performance.now() - fromMs);
  }
  return times.sort((a, b) => a - b)[Math.floor(ROUNDS / 2)] ?? Number.NaN;
}
