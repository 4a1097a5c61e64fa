/**
 * The row of one node: what it was heard to send in the window, what it lost, and how it stands. What the rows of one
 * answer share is read once (`nodeContext`).
 */

import type { NodeRow, Trend } from "../contract/index.ts";
import { trendWords } from "../diagnosis/link-changes.ts";
import { judgeNode, RECOUNTING } from "../diagnosis/status.ts";
import { overdueAfterUs } from "../ledger/gaps/intervals.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime, subtract, type TimeRange, totalUs } from "../model/time-range.ts";
import { trendOfSeries } from "../statistics/trend.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { FrameSeries, NO_LEVEL } from "../store/hours/frame-series.ts";
import { siteNames } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { gatewaysOfNewestFrame } from "../store/queries/frames.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { addressesToRecount, type LabelRecord, type LifeSpan, labels } from "../store/queries/lives.ts";
import type { RecordedTime } from "../store/recorded-time.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { duration } from "../words/format.ts";
import { type HomeNetworks, homeNetworksUntil, isStranger } from "./home-networks.ts";
import { fallOf, type SuspectedFall, suspectedFall } from "./node-fall.ts";
import { type Loss, lossOf, stripOf, type Unheard } from "./node-figures.ts";
import { levelsOfSeries } from "./node-levels.ts";
import { cutGateways, type Reach, reachOf, siteNotRecorded, siteOutages } from "./reachability.ts";

import { type AskedWindow, knownEndUs, knownUntilUs, recordedOf } from "./window.ts";

const STRIP_BINS = 60;
/** What all rows of one answer share. */
export interface NodeContext {
  readonly window: AskedWindow;
  /** What is known ends here: now when live, else the end of what is stored. */
  readonly endUs: number;
  /** When none of the gateways was reachable, or recorded, that belong to the sites of those named (EUIs). */
  readonly unheardBy: (gateways: readonly string[]) => Unheard;
  readonly recorded: RecordedTime;
  readonly reaches: readonly Reach[];
  readonly names: ReadonlyMap<string, LabelRecord>;
  readonly home: HomeNetworks;
  /** Addresses whose counters are being counted again: their figures may still change. */
  readonly recounting: ReadonlySet<number>;
  /** Lives that a later life of their address took the place of: they are over, not overdue. */
  readonly over: ReadonlySet<number>;
}

export function nodeContext(
  store: Store,
  window: AskedWindow,
  lives: ReadonlyMap<number, LifeSpan>,
): NodeContext {
  const untilUs = knownUntilUs(window);
  const endUs = knownEndUs(store, window);
  const recorded = recordedOf(store, window);
  const { shown } = cutGateways(store, allGateways(store, untilUs));
  const reaches = shown.map((gateway) => reachOf(store, gateway, window, endUs, recorded));
  const names = labels(store, "node");
  const home = homeNetworksUntil(store, names, untilUs);
  return {
    window,
    endUs,
    unheardBy: unheardBySite(store, reaches, window),
    recorded,
    reaches,
    names,
    home,
    over: livesOver(lives, endUs),
    recounting: addressesToRecount(store),
  };
}

/**
 * What a gateway of another site hears is no help to a node of this one. Without named sites all gateways are one; so they
 * are for a node that none of them heard.
 */
function unheardBySite(
  store: Store,
  reaches: readonly Reach[],
  window: TimeRange,
): (gateways: readonly string[]) => Unheard {
  const of = (some: readonly Reach[]): Unheard => ({
    outages: siteOutages(some, window),
    notRecorded: siteNotRecorded(some, window),
  });
  const all = of(reaches);
  if (siteNames(store).length === 0) return () => all;
  const labelled = labels(store, "gateway");
  const siteOf = (eui: string) => labelled.get(eui)?.site ?? "";
  const known = new Map<string, Unheard>();
  return (gateways) => {
    const sites = [...new Set(gateways.map(siteOf))].sort();
    if (sites.length === 0) return all;
    const key = JSON.stringify(sites);
    const unheard =
      known.get(key) ?? of(reaches.filter(({ gateway }) => sites.includes(siteOf(gateway.eui))));
    known.set(key, unheard);
    return unheard;
  };
}

/** A second device beside the first ends nothing; a reset or a join before `endUs` does. */
function livesOver(lives: ReadonlyMap<number, LifeSpan>, endUs: number): Set<number> {
  const newest = new Map<number, LifeSpan>();
  for (const life of lives.values()) {
    if (life.isBeside || life.firstAtUs > endUs) continue;
    const known = newest.get(life.devAddr);
    if (known === undefined || life.firstAtUs > known.firstAtUs) newest.set(life.devAddr, life);
  }
  const over = new Set<number>();
  for (const life of lives.values()) {
    const last = newest.get(life.devAddr);
    if (last !== undefined && last.id !== life.id && last.firstAtUs > life.lastAtUs) over.add(life.id);
  }
  return over;
}

/** `suspected`: a fall of its level that is to be judged. */
export function nodeRow(
  life: Pick<LifeSpan, "id" | "devAddr" | "number" | "lastAtUs">,
  frames: FrameSeries,
  gateways: readonly string[],
  context: NodeContext,
  suspected: SuspectedFall | null = suspectedFall(frames),
): NodeRow {
  const { window, names, home } = context;
  const devAddr = formatDevAddr(life.devAddr);
  const label = names.get(devAddr);
  const unheard = context.unheardBy(gateways);
  const loss = lossOf(frames, unheard);
  const levels = levelsOfSeries(frames);
  const { length } = frames;
  const firstUs = length === 0 ? life.lastAtUs : (frames.atUs[0] ?? life.lastAtUs);
  const lastUs = length === 0 ? life.lastAtUs : (frames.atUs[length - 1] ?? life.lastAtUs);
  const silentUs = recordedSilenceUs(lastUs, gateways, context);
  const overdue = !context.over.has(life.id) && isOverdue(loss, silentUs);
  const fall = suspected === null ? null : fallOf(frames, suspected, gateways, context);
  const judgement = judgeNode({
    ...loss,
    fallClause: fall?.clause ?? null,
    marginMedianDb: levels.marginDb.median,
    overdue,
    silentForSeconds: silentUs / 1e6,
    rhythmSeconds: loss.rhythmUs === null ? null : loss.rhythmUs / 1e6,
  });
  return {
    devAddr,
    life: life.number,
    name: label?.name ?? null,
    network: networkOf(devAddr),
    stranger: isStranger(devAddr, label, home),
    heard: loss.heard,
    expected: loss.expected,
    missed: loss.missed,
    missedDuringOutage: loss.missedDuringOutage,
    missedNotRecorded: loss.missedNotRecorded,
    deliveryRatio: loss.deliveryRatio,
    deliveryInterval95: loss.deliveryInterval95,
    frames: length,
    receptions: sumOf(frames.receptions, length),
    repeats: sumOf(frames.repeat, length),
    ...levels,
    snrTrend: snrTrend(frames),
    fall,
    rhythmSeconds: loss.rhythmUs === null ? null : Math.round(loss.rhythmUs / 1e3) / 1e3,
    airtimeSeconds: sumOf(frames.airtimeUs, length) / 1e6,
    dataRates: dataRatesOf(frames),
    gateways: [...gateways],
    firstHeard: isoTime(firstUs),
    lastHeard: isoTime(lastUs),
    overdue,
    ...(context.recounting.has(life.devAddr) ? { ...RECOUNTING, recounting: true } : judgement),
    strip: stripOf(frames, loss, unheard, window, STRIP_BINS),
  };
}

/** A silence longer than the node's rhythm allows, at the end of what is known. Never a loss: see the README. */
function isOverdue(loss: Loss, silentUs: number): boolean {
  if (loss.rhythmUs === null || loss.heard < 3) return false;
  return silentUs > overdueAfterUs(loss.rhythmUs, loss.slowestUs ?? 0);
}

/**
 * For how long the gateways that heard a node (EUIs) were recorded and reachable since a moment. In any other time it
 * may well have sent.
 */
function recordedSilenceUs(
  sinceUs: number,
  gateways: readonly string[],
  { endUs, unheardBy, recorded, reaches }: NodeContext,
): number {
  if (sinceUs >= endUs) return 0;
  const ids = reaches
    .filter(({ gateway }) => gateways.includes(gateway.eui))
    .map(({ gateway }) => gateway.id);
  return totalUs(
    subtract(recorded.ranges({ fromUs: sinceUs, toUs: endUs }, ids), unheardBy(gateways).outages),
  );
}

/** Trend of the best SNR of each frame; its words say "not enough" where that is so. */
function snrTrend({ length, atUs, snrTenths }: FrameSeries): Trend {
  const times = new Float64Array(length);
  const values = new Float64Array(length);
  let count = 0;
  for (let i = 0; i < length; i++) {
    const tenths = snrTenths[i] ?? NO_LEVEL;
    if (tenths === NO_LEVEL) continue;
    times[count] = atUs[i] ?? 0;
    values[count++] = tenths / 10;
  }
  const series = { tUs: times.subarray(0, count), values: values.subarray(0, count) };
  const trend = trendOfSeries(series);
  const { slopePerDay, p, spanDays, outcome } = trend;
  const change = slopePerDay === null ? null : slopePerDay * spanDays;
  return { slopePerDay, change, p, significant: outcome === "real", words: trendWords(trend) };
}

function dataRatesOf({ length, dataRate }: FrameSeries): { name: string; frames: number }[] {
  const counts = new Map<number, number>();
  for (let i = 0; i < length; i++) {
    const one = dataRate[i] ?? 0;
    counts.set(one, (counts.get(one) ?? 0) + 1);
  }
  return [...counts]
    .sort((a, b) => b[1] - a[1])
    .map(([code, count]) => ({ name: describeModulation(modulationFromCodes(code, 0)), frames: count }));
}

/** Of the first `length` values. */
function sumOf(values: Uint8Array | Uint16Array | Float64Array, length: number): number {
  let sum = 0;
  for (let i = 0; i < length; i++) sum += values[i] ?? 0;
  return sum;
}

// Who has fallen silent since before a live window? A node that died two hours ago has no frame in the last hour, and
// must not vanish for it: it is listed with nothing heard, and its silence is the first thing said of it.

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
    const leastUs = overdueAfterUs(rhythmUs);
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
    const row = nodeRow(life, new FrameSeries(), [], context);
    return {
      ...row,
      firstHeard: row.lastHeard,
      rhythmSeconds: Math.round(rhythmUs / 1e3) / 1e3,
      overdue: true,
      standing: "look" as const,
      clause: `silent for ${duration(silentUs / 1e6)}, it sent about every ${duration(rhythmUs / 1e6)}`,
    };
  });
}
