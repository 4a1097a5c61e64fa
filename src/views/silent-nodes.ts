/**
 * Who has fallen silent since before a live window? A node that died two hours ago has no frame in the last hour, and
 * must not vanish for it: it is listed with nothing heard, and its silence is the first thing said of it.
 */
import type { NodeRow } from "../contract/index.ts";
import { span } from "../diagnosis/status.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import type { Store } from "../store/open.ts";
import { gatewaysOfNewestFrame } from "../store/queries/frames.ts";
import type { LifeSpan } from "../store/queries/lives.ts";
import { isStranger } from "./home-networks.ts";
import { type NodeContext, nodeRow, OVERDUE_LEAST_US, OVERDUE_RHYTHMS, recordedSilenceUs } from "./nodes.ts";

/** A node silent for longer than this has been taken away. Common practice, no source. */
const REMEMBERED_US = 7 * 86_400_000_000;
/** Counters from which a life's rhythm is believed. */
const MIN_HEARD = 3;

/**
 * Rows of one's own nodes whose last frame lies before the window, as far as their rhythm makes that a silence; the
 * named ones and then those heard most, at most `most`.
 */
export function silentRows(
  store: Store,
  lives: Iterable<LifeSpan>,
  heard: ReadonlySet<number>,
  context: NodeContext,
  most: number,
): NodeRow[] {
  const { window, endUs, over, names, home } = context;
  if (!window.live) return [];
  const silent: { life: LifeSpan; rhythmUs: number; leastUs: number; named: boolean }[] = [];
  for (const life of lives) {
    if (heard.has(life.id) || over.has(life.id) || life.heard < MIN_HEARD) continue;
    if (life.lastAtUs >= window.fromUs || life.lastAtUs < window.fromUs - REMEMBERED_US) continue;
    const steps = life.lastCounter - life.firstCounter;
    const rhythmUs = steps > 0 ? (life.lastAtUs - life.firstAtUs) / steps : null;
    if (rhythmUs === null) continue;
    const leastUs = Math.max(OVERDUE_LEAST_US, OVERDUE_RHYTHMS * rhythmUs);
    if (endUs - life.lastAtUs < leastUs) continue;
    const devAddr = formatDevAddr(life.devAddr);
    if (isStranger(devAddr, names.get(devAddr), home)) continue;
    silent.push({ life, rhythmUs, leastUs, named: names.has(devAddr) });
  }
  if (silent.length > most)
    silent.sort((a, b) => Number(b.named) - Number(a.named) || b.life.heard - a.life.heard);
  return silent.slice(0, most).flatMap(({ life, rhythmUs, leastUs }) => {
    const silentUs = recordedSilenceUs(life.lastAtUs, gatewaysOfNewestFrame(store, life.id), context);
    if (silentUs < leastUs) return [];
    const row = nodeRow(life, [], [], context);
    return {
      ...row,
      firstHeard: row.lastHeard,
      rhythmSeconds: Math.round(rhythmUs / 1e3) / 1e3,
      overdue: true,
      standing: "look" as const,
      clause: `silent for ${span(silentUs / 1e6)}, it sent about every ${span(rhythmUs / 1e6)}`,
    };
  });
}
