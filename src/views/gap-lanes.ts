/** The counters of a gap's node and of its neighbours, laid on the gap's axis. */
import type { GapPage } from "../contract/gaps.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import type { Scene } from "../model/scene.ts";
import type { TimeWindow } from "../model/window.ts";
import type { GapNames } from "./gaps.ts";

const MOST_COUNTERS = 2_000;
const MOST_NEIGHBOURS = 20;
const MOST_HEARD = 500;

interface Heard {
  readonly counter: number;
  readonly atUs: number;
  readonly gateways: Set<number>;
  readonly repeatsUs: number[];
}

/** Heard counters with who heard them, and missed ones spread evenly between them. */
export function countersOnAxis(scene: Scene, axis: TimeWindow, names: GapNames): GapPage["counters"] {
  const byCounter = new Map<number, Heard>();
  for (const { lifeId, counter, atUs, gatewayId, repeat, crcOk } of scene.receptions) {
    if (lifeId !== scene.gap.lifeId || counter === null || !crcOk || atUs < axis.fromUs || atUs >= axis.toUs)
      continue;
    const heard = byCounter.get(counter) ?? { counter, atUs, gateways: new Set(), repeatsUs: [] };
    heard.gateways.add(gatewayId);
    if (repeat && heard.repeatsUs.at(-1) !== atUs) heard.repeatsUs.push(atUs);
    byCounter.set(counter, heard);
  }
  const ticks: GapPage["counters"] = [];
  let last: Heard | null = null;
  for (const heard of [...byCounter.values()].sort((a, b) => a.counter - b.counter)) {
    if (last !== null) ticks.push(...missedBetween(last, heard, scene));
    ticks.push({
      counter: heard.counter,
      atMs: heard.atUs / 1000,
      fate: "heard",
      gateways: [...heard.gateways].flatMap((id) => names.gateways.get(id)?.eui ?? []).sort(),
      repeatsAtMs: heard.repeatsUs.map((us) => us / 1000),
    });
    last = heard;
    if (ticks.length > MOST_COUNTERS) break;
  }
  return ticks.slice(0, MOST_COUNTERS);
}

function missedBetween(a: Heard, b: Heard, { gap }: Scene): GapPage["counters"] {
  const steps = b.counter - a.counter;
  // A node that did not send missed nothing between its last frame and the few counters after its silence.
  const startUs = gap.kind === "silence" && a.atUs <= gap.fromUs && b.atUs >= gap.toUs ? gap.toUs : a.atUs;
  return Array.from({ length: Math.min(steps - 1, MOST_COUNTERS) }, (_, i) => ({
    counter: a.counter + i + 1,
    atMs: Math.max(a.atUs, startUs + ((i + 1) * (b.atUs - startUs)) / steps) / 1000,
    fate: "missed" as const,
    gateways: [],
    repeatsAtMs: [],
  }));
}

/** Other nodes at the same gateways, the busiest first, with what their rates before and after let expect. */
export function neighboursOnAxis(scene: Scene, axis: TimeWindow, names: GapNames): GapPage["neighbours"] {
  const { before, within, after } = scene;
  const lives = new Map<number, { devAddr: number; times: Map<number, number> }>();
  for (const { lifeId, devAddr, counter, atUs, crcOk } of scene.receptions) {
    if (lifeId === null || devAddr === null || counter === null || !crcOk || lifeId === scene.gap.lifeId)
      continue;
    const life = lives.get(lifeId) ?? { devAddr, times: new Map() };
    if (!life.times.has(counter)) life.times.set(counter, atUs);
    lives.set(lifeId, life);
  }
  const outsideUs = before.toUs - before.fromUs + (after.toUs - after.fromUs);
  return [...lives]
    .sort((a, b) => b[1].times.size - a[1].times.size || a[0] - b[0])
    .slice(0, MOST_NEIGHBOURS)
    .map(([lifeId, { devAddr, times }]) => {
      const all = [...times.values()];
      const inside = all.filter((atUs) => atUs > within.fromUs && atUs < within.toUs).length;
      const address = formatDevAddr(devAddr);
      return {
        devAddr: address,
        life: names.lifeNumber(lifeId),
        name: names.nodes.get(address)?.name ?? null,
        heardAtMs: all
          .filter((atUs) => atUs >= axis.fromUs && atUs < axis.toUs)
          .slice(0, MOST_HEARD)
          .map((atUs) => atUs / 1000),
        expected:
          outsideUs > 0
            ? Math.round((10 * (all.length - inside) * (within.toUs - within.fromUs)) / outsideUs) / 10
            : 0,
        heard: inside,
      };
    });
}
